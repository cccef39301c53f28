"""One session as a whole: its sheets, its runs and the store of their results."""
