"""Work that need not be done twice: unchanged runs and figures, kept in the user's cache folder."""
