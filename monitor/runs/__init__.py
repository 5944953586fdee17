"""The recorded runs: the SQLite store, the only place with SQL (`store` is its surface), and the CSV run file."""
