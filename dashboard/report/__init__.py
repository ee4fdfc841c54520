"""Reports and slides, made from the same results as the screens."""
