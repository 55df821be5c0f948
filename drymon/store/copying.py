"""`python -m drymon.store.copying DATABASE TARGET`: a checked copy, in a process of its own that ends.

On a slow card it takes minutes, through which a service must go on listening.
"""

import sys
from pathlib import Path

from drymon.errors import StoreError
from drymon.messages.settings import where_of
from drymon.store.store import Store


def main() -> int:
    """Copy through a connection that only reads; the error, if any, on stderr."""
    database, target = where_of(sys.argv[1]), Path(sys.argv[2])
    try:
        with Store.open(database, readonly=True) as store:
            store.backup(target)
    except (StoreError, OSError) as error:
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
