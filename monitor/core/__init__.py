"""PURE: what is believed about a starter, decided by plain functions of data.

No clock, file, socket, thread, logging or chance in here; a test holds it so.
"""
