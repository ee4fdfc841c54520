"""Tracings: files of points, their scale, and the measures worked out from them."""
