"""Run the command line with ``python -m analyzer``."""

from analyzer.cli import run

if __name__ == "__main__":
    run()
