"""Sound files: read, written whole or not at all, and what stands beside the sound in them."""
