"""Jartide: readings come in from `sources/`, everything believed about the starter is decided in `core/` by plain
functions of data, and what is worth telling leaves through `sinks/`; `daemon.py` is the only place with a clock and a
thread.

    device -> sources/ -> queue -> sinks/recorder (commit) -> core/vigil.step -> events -> core/notices -> sinks/
                                        |                                                      ^
                                   runs/ (SQLite) <------ told: fed, noted (cli) --------------+

Import order (an arrow is "imported by"; nothing points back, a test enforces it):

    values <- settings, core <- runs, simulator <- sources, sinks, review <- player, daemon <- cli
"""

__version__ = "0.1.0"
