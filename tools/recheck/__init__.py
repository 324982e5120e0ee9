"""An archive measured again: what today's software says of the rounds that were signed."""
