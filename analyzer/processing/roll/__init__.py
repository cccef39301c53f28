"""The roll gradient of one run: start with `gradient`, then equation, fit, disturbances, second looks."""
