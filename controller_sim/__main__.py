"""`python -m controller_sim` is `controller-sim`."""

import sys

from controller_sim.cli import main

if __name__ == "__main__":
    sys.exit(main())
