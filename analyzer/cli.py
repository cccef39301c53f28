"""Commands: parse, call, print. No physics."""

from __future__ import annotations


def main() -> None:
    """Run the command line."""
    raise SystemExit("no command yet")
