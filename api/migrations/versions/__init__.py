"""One step each; the file names count them."""
