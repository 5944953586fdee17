"""The config file: read, checked, explained."""
