"""What the machine provides: clock, locks, files, secrets, the service manager."""
