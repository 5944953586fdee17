"""The live page: what the daemon believes, shown in a browser, and the few things that a person tells it from there.

    daemon -> store <- readers <- jar_view, past, planning, health <- app (API, page) <- guard <- browser
                  ^-------- telling (Store.tell) <---------------'

A best-effort sink in its own thread: it reads only through its own connections, writes only reports, and whatever
happens to it, readings continue. Nothing here decides anything about a starter.
"""
