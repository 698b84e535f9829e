"""``python -m gateway.cli``: the command line without installing it."""

import sys

from gateway.cli import main

sys.exit(main())
