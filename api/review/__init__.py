"""Rounds that were measured again: what a reviewer lists, looks at, judges and takes away."""
