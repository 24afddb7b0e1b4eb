"""What a run looks at: one small function a check, arrays in, one `records.Check` out.

Shares are fractions (0.001 is 0.1 %); percents appear only in the sentences. An input that is None
or not finite makes the verdict `not checked`, with what was missing, never a pass.
"""
