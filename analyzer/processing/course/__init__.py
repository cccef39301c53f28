"""Several runs of one course: laid over each other, and where along it the dampers run out of travel."""
