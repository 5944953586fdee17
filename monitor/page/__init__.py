"""The live page: what the daemon believes, shown in a browser, and the few things that a person tells it from there.

    daemon -> store <- readers <- jar_view, past, planning, health <- app (API, page) <- guard <- browser
                  ^-------- telling (Store.tell) <---------------'

A best-effort sink in a thread of its own: it reads only through connections of its own, writes only what was told, and
whatever happens to it the readings go on. Nothing here decides anything about a starter.
"""
