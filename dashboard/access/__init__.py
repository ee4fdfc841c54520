"""Who is looking, what they may see, and the one way pages ask the warehouse."""
