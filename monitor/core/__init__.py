"""PURE: what is believed about a starter, decided by plain functions of data.

    vessel -> signal -> detect (what happened) -> notify (what to say)
    forecast (when it will come) -> plan (what to feed), assess (is it fit)

No clock, file, socket, thread, logging or chance in here; a test holds it so.
"""
