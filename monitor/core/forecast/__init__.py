"""What is learnt of a starter, and when its peak and fall will come."""
