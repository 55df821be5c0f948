"""Long work on many rooms: cut into jobs that run beside each other, each done once."""
