"""With this folder on PYTHONPATH, the clock of every Python process begins at ANOTHER_DAY (RFC 3339) and goes on from
there: of the tests and of whatever they start. Sleeping, waiting and the monotonic clock stay real.

(The Debian package faketime would move other programs' clocks as well, but its version 0.9.10 has only the choice
between a monotonic clock at which `time.sleep` fails and one at which `threading.Event.wait` never ends.)
"""

import os

import time_machine

time_machine.travel(os.environ["ANOTHER_DAY"], tick=True).start()
