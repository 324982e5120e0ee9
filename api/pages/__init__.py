"""The pages: HTML from the same domain functions, all text in one catalogue."""
