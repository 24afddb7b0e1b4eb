"""What robust statistics share."""

#: A median absolute deviation times this is the standard deviation of a normal distribution.
MAD_TO_SIGMA = 1.482602218505602
