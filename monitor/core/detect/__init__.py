"""The one step function: what a reading, a tick or a report decides about a jar."""
