"""The catalogue of measures and the geometry that computes them."""
