"""The live page: shows what the daemon believes in a browser, and takes the few things that people report there.

    daemon -> store <- readers <- jar_view, past, planning, health <- app (API, page) <- guard <- browser
                  ^-------- telling (Store.tell) <---------------'

A best-effort sink in its own thread: it reads only through its own connections and writes only reports; whatever
happens to it, readings continue. Nothing here decides anything about a starter.
"""
