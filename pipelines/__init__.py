"""How cases come in and go out."""
