"""Photos: taken in, stored, looked at and measured in worker processes, shown."""
