"""The page on the user's own machine: sheets as forms, logs as runs; all it does is what the commands do."""
