"""Processing: a recording becomes motion, and motion becomes estimates. Never sees a prediction."""
