"""Which conditions deserve a notice, and what it says."""
