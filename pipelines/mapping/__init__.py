"""What ties the columns and codes of a file to the contract: stated in a mapping file, never guessed."""
