"""The one way out of the house, and the record of what left."""
