"""What every room stands on: figures with their errors, files, filters, statistics. Knows no car."""
