"""Run the command line with ``python -m analyzer``."""

from analyzer.cli import main

if __name__ == "__main__":
    main()
