"""What people read: units, durations, local time, and the words for stages and refusals."""
