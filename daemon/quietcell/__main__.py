"""Start the command line as ``python -m quietcell``."""

from quietcell.cli import main

if __name__ == "__main__":
    main()
