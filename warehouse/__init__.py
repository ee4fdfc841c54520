"""What is kept, and what it means."""
