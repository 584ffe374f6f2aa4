"""Run the command line as ``python -m merge``."""

from merge.cli import main

if __name__ == "__main__":
    main()
