"""The recorded runs: the SQLite store and the CSV file format."""
