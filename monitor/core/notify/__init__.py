"""Which conditions deserve a notice (`conditions`), which are due now (`due`), and what they say (`text`).

A notice is decided here, kept in `runs/outbox`, and leaves through `sinks/notices`.
"""
