"""The commands, by what they are for: options in, one function of the package, printed text out."""
