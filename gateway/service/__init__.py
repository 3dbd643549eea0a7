"""Two processes, their supervision, and the wall between them."""
