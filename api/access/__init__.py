"""Who may do what: people, paired devices, the guard around the service, the shop's settings."""
