"""Where a reading enters: bytes and payloads become deliveries for the daemon's queue."""
