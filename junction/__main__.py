"""Run the command line as ``python -m junction``."""

import sys

from junction.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
