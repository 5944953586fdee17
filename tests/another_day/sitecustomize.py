"""With this folder on PYTHONPATH, the clock begins at ANOTHER_DAY (RFC 3339) and goes on from there: one clock for the
tests and for every Python process that they start, however late. Sleeping, waiting and the monotonic clock stay real.

(The Debian package faketime would move other programs' clocks as well, but its version 0.9.10 has only the choice
between a monotonic clock at which `time.sleep` fails and one at which `threading.Event.wait` never ends.)
"""

import os
import time
from datetime import datetime

import time_machine

AHEAD = "ANOTHER_DAY_AHEAD_S"  # the first process says to all that come from it how far they are ahead
real_s = time.time()
if AHEAD not in os.environ:
    os.environ[AHEAD] = str(datetime.fromisoformat(os.environ["ANOTHER_DAY"]).timestamp() - real_s)
time_machine.travel(real_s + float(os.environ[AHEAD]), tick=True).start()
