"""`python -m drymon_sensors`."""

import sys

from drymon_sensors.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
