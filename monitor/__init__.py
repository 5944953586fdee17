"""Jartide: readings enter through `sources/`, plain functions in `core/` decide everything about the starter, and
notices leave through `sinks/`. `daemon/loop.py` is the only place where the time of day decides anything, and its loop
is the only thread that steps a jar.

    device -> sources/ -> queue -> sinks/recorder (commit) -> core/detect/step -> events -> core/notify -> sinks/
                                        |                                                       ^
                                   runs/ (SQLite) <---- reported: fed, noted (cli/, page/) -----+

Import order (an arrow is "imported by"; nothing points back, a test enforces it):

    values <- settings <- core <- host, config, runs <- simulator <- sources, sinks, review <- check, page
           <- setup, daemon <- cli

Sources, best-effort sinks and the page own a thread each, for input and output only: they put things into the queue or
drain what the store holds, and none of them touches a jar's state.
"""

__version__ = "0.1.0"
