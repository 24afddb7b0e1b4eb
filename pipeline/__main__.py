"""`python -m pipeline` is `reflectory`."""

import sys

from pipeline.cli.commands import main

sys.exit(main())
