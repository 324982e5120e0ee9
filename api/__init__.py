"""The service will live here: thin, it receives, hands over and shows. It adds no measuring of its own."""
