"""Statistical studies: each reproduces a claim that the documents make."""
