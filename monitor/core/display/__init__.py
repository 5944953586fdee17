"""What people read: units, durations and local time."""
