"""What a case is set up with, what it used, and where its pieces are taken from."""
