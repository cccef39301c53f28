"""Report: tables, figures and the page. Shows results; computes none."""
