"""The registry of growth references: what ordinary growth alone would have done."""
