"""What every room stands on: figures with their errors, files, filters, statistics. Knows no car."""

from typing import Final

# How a command that was stopped ends. It stands here since it is needed before anything else is loaded.
STOPPED: Final = 130
"""Exit code after an interrupt from the keyboard (128 + 2, the shells' rule for signal SIGINT)."""
STOPPED_LINE: Final = "stopped; nothing was left half written"
