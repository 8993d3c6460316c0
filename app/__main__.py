"""``python -m app`` is the command line, for where the script is not on the path."""

import sys

from app.cli import main

sys.exit(main())
