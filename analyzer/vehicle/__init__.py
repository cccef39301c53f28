"""Physics of the car that measuring and predicting share, each formula once."""
