"""What the machine gives: clock, locks, files, secrets, the service manager."""
