"""The next feeding, in grams."""
