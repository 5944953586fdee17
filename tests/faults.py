"""The fault catalogue: what can go wrong with lines, brokers, values, clocks, disks, processes, notices, configs and
the page, what Jartide does then, and which tests show it.

A test carries `@pytest.mark.fault("S4")`; `pytest -k S4` runs it (and whatever else has S4 in its name). The table:

    python -m tests.faults            # every fault with its tests, run now
    python -m tests.faults S4 M2      # only these
    python -m tests.faults --list     # which tests show what, without running them

Exit code 1 when a fault has no test or a test of one fails.
"""

from __future__ import annotations

import contextlib
import io
import sys
from pathlib import Path

import pytest

FAULTS: dict[str, tuple[str, str]] = {
    # --- serial lines
    "S1": ("binary garbage, a wrong baud rate", "counted, said plainly; the next whole line is read"),
    "S2": ("half lines, pauses inside a line", "joined; no value is ever cut in two"),
    "S3": ("a line without an end", "dropped at its limit, memory stays flat, the next line is read"),
    "S4": ("unplugged while reading", "said within 5 s, tried again, a notice when it lasts"),
    "S5": ("plugged in again under another name", "found again by its pattern"),
    "S6": ("no port, or no permission for it", "the daemon runs; the sentence names the group dialout"),
    "S7": ("port held by another program", "said as such, tried again"),
    "S8": ("boot text, banners and echoes of a board that restarts", "refused, counted; the readings after it count"),
    "S9": ("a sender a hundred times too fast", "the newest reading is kept, the queue stays bounded"),
    "S10": ("silent but open", "one notice after the usual time, one when it is back"),
    "S11": ("a driver that hangs in read or close", "does not hold up the end for 5 s"),
    "S12": ("opened in the middle of a line", "the first line counts only if it is whole"),
    "S13": ("an error of our own in the reading thread", "said, logged, the thread goes on"),
    "S14": ("several ports fit the pattern", "the first by name; once lost, none that was there before in its place"),
    "S15": ("numbers that begin again under the same boot token", "taken, counted, said; nothing is swallowed"),
    # --- MQTT
    "M1": ("no broker at the start", "the daemon runs and goes on trying, with a limit"),
    "M2": ("the broker restarts", "subscribed again; no QoS 1 message lost or doubled"),
    "M3": ("the broker is killed with messages in its queue", "nothing that we have is lost, no crash"),
    "M4": ("the same message again", "stored once"),
    "M5": ("a crash between taking in and storing", "comes again, is stored once"),
    "M6": ("readings out of order", "stored as they came; the detector takes no older one than it had; pictures sort"),
    "M7": ("a retained reading of unknown age", "marked; never taken for one of now"),
    "M8": ("a payload of a megabyte, or nested ten thousand deep", "refused by size before it is parsed, acknowledged"),
    "M9": ("bad UTF-8, empty, null", "counted and acknowledged; the window does not close"),
    "M10": ("another client with our id", "named, with longer and longer waits"),
    "M11": ("no login, not authorised, denied by an ACL", "said, tried again slowly; a mended list is noticed"),
    "M12": ("a connection that died without a word", "found by the keep-alive within twice its time"),
    "M13": ("an error of our own while taking in", "nothing lost, the thread goes on"),
    "M14": ("topics of unknown jars, any number", "counted, a bounded number of names kept to be shown"),
    "M15": ("an expired, foreign or misnamed TLS certificate", "refused; the sentence names the cause"),
    "M16": ("the daemon is down while readings come", "the broker keeps them; taken up and dated rightly at the start"),
    "M17": ("our own queue is full", "only the source waits, and the broker hears from it; the end is not held up"),
    "M18": ("a listener in the network", "TLS by default beyond this machine, before a name or a password is said"),
    "M19": ("a message of 60 MB", "cut, counted, acknowledged, < 100 MB; over 1 MB one of MQTT 5 drops it"),
    "M20": ("more readings wait in the broker than it keeps", "the example keeps a day; `check` says what yours keeps"),
    "M21": ("the broker forgets what it kept for us", "a gap in the device's numbers is counted and explained"),
    "M22": ("a command that is retained, nonsense, told twice", "refused, answered with the reason; nothing is told"),
    # --- values
    "V1": ("NaN, infinities, texts, true, decimal commas", "refused with a fixed reason; never reach the detector"),
    "V2": ("a stuck sensor", "said as stuck, never as a peak"),
    "V3": ("single wild values and bursts of them", "no event of their own; the peak's time holds"),
    "V4": ("fault codes: 85.0 and -127 degC, 0, 8190, 8191, 65535 mm", "kept as said, never used"),
    "V5": ("condensation, mist, slow drift", "no fall out of what comes and goes; the night still ends with its fall"),
    "V6": ("the lid lifted, a hand over the jar", "ignored when short; the cycle goes on"),
    "V7": ("the jar or the sensor was moved and stays so", "one step, no fall; on the way up `disturbed`, or a hand"),
    "V8": ("it grows into the lid", "one urgent notice before it touches, also at the sensor's nearest range"),
    "V9": ("fed without telling", "seen by itself; asked once where it might have been something else"),
    "V10": ("never rises, or has no height at all", "said as flat; no division by zero"),
    "V11": ("no temperature", "height alone decides the same fall; the forecast is there and wider"),
    "V12": ("Fahrenheit for Celsius, cm for mm", "the check says so; not used, not converted; the night goes on"),
    "V13": ("hours without readings over the peak", "the peak lies within the gap; the fall is still found once"),
    "V14": ("devices' clocks that run fast, wrap or jump", "followed or dated by receipt"),
    # --- time
    "T1": ("started with a clock of 1970, set right later", "the cycle keeps its age; no storm of notices"),
    "T2": ("the clock is set on by a day, a year, 70 years", "no cost, no storm, the cycle keeps its age"),
    "T3": ("the clock is set back by minutes or an hour", "watched on without a pause; nothing twice; restart agrees"),
    "T4": ("a reminder in the hour that does not exist, or twice", "exactly one"),
    "T5": ("the zone is changed in the config while running", "planned again; what is stored does not change"),
    "T6": ("suspended for six hours", "no clock step: a gap is a gap; what fell due is told once"),
    "T7": ("a sensor with a wrong clock", "its time is not used beyond 2 min ahead; said"),
    "T8": ("the clock is set while the disk is full", "the step keeps its place among the readings"),
    # --- disk
    "D1": ("the disk is full", "readings are held in bounded memory, nothing acknowledged, all stored afterwards"),
    "D2": ("read-only, or input/output errors", "the same; the rest goes on"),
    "D3": ("a damaged, cut, empty or foreign store file", "set aside and said; what can be read is recovered"),
    "D4": ("kill -9 at any moment", "no acknowledged reading lost or doubled; opens again, resumes"),
    "D5": ("power cut during a write", "a whole prefix"),
    "D6": ("a store of a newer version", "refused, untouched"),
    "D7": ("a migration fails in the middle", "as it was before, and a copy is kept"),
    "D8": ("two daemons with one store", "the second one ends with 1 and names the first one's process"),
    "D9": ("locked by another program", "waited for, nothing lost"),
    "D10": ("the time-series server is away, slow, refuses", "the store is untouched; drained in order; poison parked"),
    "D11": ("the server drops what is older than it keeps", "reported once, not tried for ever"),
    "D12": ("the store of another program", "refused, untouched"),
    "D13": ("a backup is interrupted", "no file of that name; never half a one"),
    "D14": ("any one call of the store fails", "all or nothing of its group; got over at the next"),
    "D15": ("the store fails for good", "the daemon stops loudly, within its time"),
    "D16": ("nothing can be written for ten minutes", "told at once, past the outbox, once, on MQTT as well"),
    "D17": ("what was kept of a jar cannot be read, or another version decided it", "judged again; told once, openly"),
    "D18": ("the config is read again while the disk is full", "waits until all is stored; nothing taken in is lost"),
    "D19": ("the store's path is a device, a pipe, a text file", "refused, untouched; not even a lock beside it"),
    "D20": ("the store is deleted, moved or replaced in use", "seen within a minute, nothing acknowledged, all kept"),
    "D21": ("the store's path is a link", "followed once: one file, one lock, one log, whatever it is called"),
    "D22": ("the power goes while it is written, on a real file system", "all that was acknowledged is there, sound"),
    "D24": ("a move to another store fails at any call, or stops between the two", "undone, or known the next time"),
    "D23": ("the kernel makes the disk read-only", "told; nothing acknowledged until it is mounted again"),
    # --- process
    "P1": ("SIGTERM, SIGINT, SIGHUP", "what is in hand is stored, exit 0 in 5 s; HUP reads the config again"),
    "P2": ("a thread hangs", "named in the log, in status and on the page; the watchdog hears nothing more"),
    "P3": ("months of running", "memory stays flat"),
    "P4": ("a loop of crashes and starts", "nothing is decided or told again"),
    "P5": ("crashes at every named point of the program", "no reading lost or doubled, the same decisions"),
    "P6": ("the service taken over by what it reads", "a user of its own, no capabilities, few calls, its folder only"),
    "P7": ("`status` looks at the lock in the very moment of a start", "the daemon starts all the same"),
    "P8": ("the end takes too long: a slow disk, a part that hangs", "cut short in 20 s, all is stored"),
    "P9": ("any place at which a command reaches outside fails", "one sentence, exit 1 or 2, nothing half-made"),
    "P10": ("any place at which the daemon reaches outside fails", "every reading once; the page answers"),
    "P11": ("any other place that reaches outside fails", "a sentence, or got over; nothing half-made"),
    # --- notices
    "N1": ("endpoint down, name not found", "tried again with longer waits, delivered once"),
    "N2": ("an endpoint that never answers", "bounded by its time; the other channels go on"),
    "N3": ("401, 403, 404", "said at once, not tried again quickly"),
    "N4": ("429 with Retry-After, 5xx", "waited for as long as asked"),
    "N5": ("a crash between sending and marking", "at most one more copy, under the same id"),
    "N6": ("secrets", "never logged or shown"),
    "N7": ("emoji, line ends, markup, names of 4 kB", "delivered, plain, cut"),
    "N8": ("not true any more before it could be sent", "withdrawn or expired, not sent"),
    "N9": ("the store cannot take down that it was sent", "not sent again"),
    "N10": ("an endpoint that trickles a byte a second", "ended after 90 s, not sent; the watchdog does not notice"),
    "N11": ("an endpoint that breaks off", "said as that, and not as a mail server's"),
    # --- configs
    "C1": ("misspelt keys, wrong types, doubled keys, tabs, BOM, CRLF", "every problem with its line; exit 2"),
    "C2": ("two jars or ports of one name", "both are named"),
    "C3": ("a geometry that cannot be", "explained"),
    "C4": ("a secret's file that is missing, unreadable or open to all", "an error, or a warning, without the secret"),
    "C5": ("a secret in the config itself", "refused, and not repeated"),
    "C6": ("another user of the machine", "the store's files are its owner's alone; a group's where the folder is"),
    # --- hostile input
    "F1": ("anything at all on the wire", "accepted, or refused with a fixed reason"),
    "F2": ("anything at all as a config", "settings, or sentences with lines"),
    "F3": ("anything at all as a run file", "rows, or one sentence"),
    "F4": ("anything at all as a scenario", "a scenario, or sentences"),
    "F5": ("a config or run file too deep, too long, without an end", "one sentence, at once, in little memory"),
    "F6": ("control characters in names, rows, notes, a config", "written out: no terminal and no log obeys them"),
    # --- the page
    "W1": ("path traversal", "404"),
    "W2": ("markup in names, notes, imported files", "text only; no script runs"),
    "W3": ("forged requests from another site", "refused"),
    "W4": ("a forged host (DNS rebinding)", "400"),
    "W5": ("open to the network without a password", "refuses to start, or reads only where that is asked for"),
    "W6": ("slow clients, hundreds of streams, huge ranges", "bounded"),
    "W7": ("formulas in an export", "quoted"),
    "W8": ("huge or evil uploads", "the page takes none: any body over 16 kB is refused unread; `import` has a limit"),
    "W9": ("the store is busy or damaged", "a page with a banner"),
    "W10": ("a proxy's prefix, IPv6, TLS in front", "links hold"),
    "W11": ("a new password or token while sessions are open", "every session ends"),
    "W13": ("a calendar's address in wrong hands", "replaced: the old one is nowhere; a new password does it too"),
    "W14": ("a notice's button fetched by a mail scanner, pressed twice, forged", "looking tells nothing; told once"),
    "W15": ("a phone that is gone, a push service down, a forged subscription", "forgotten; tried again; refused"),
    "W12": ("a thousand connections that say nothing", "hung up on in 10 s; whoever asks wholly is answered"),
}  # fmt: skip
BECAUSE = {
    "S9": "no reading is slowed down: of a flood the newest says all, and a queue would only make it late",
    "M6": "not sorted in: a restart and a replay must see what the daemon saw, in that order",
    "M7": "a retained reading may be a year old, and a false level at a start is worse than one reading less",
    "T6": "a sleep is no step of the clock: no time is moved, only nobody has looked",
    "V12": "nothing is converted: a guess about units that is wrong once spoils a night unseen",
    "D3": "nothing is repaired in place: the damaged file is the only witness",
    "D8": "exit 1, the answer is no; every command has the same three codes",
    "D15": "a watch that can keep nothing must not look as if it watched: the service manager starts it again",
    "C1": "exit 2, as for any wrong call, and no config is guessed at; every command has the same three codes",
    "C6": "the group only where the folder was given to it: else feedings could be told by root alone",
    "W5": "a warning would be read by nobody: it does not start until there is a password",
    "W8": "what is not there cannot be attacked: files come in by the command, from the machine itself",
}  # where one might expect something else


class Table:
    """A pytest plugin that notes which tests show which fault, and how they ended."""

    def __init__(self, wanted: set[str]) -> None:
        self.wanted = wanted
        self.tests: dict[str, list[str]] = {}
        self.ended: dict[str, str] = {}

    @pytest.hookimpl(tryfirst=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        kept = []
        for item in items:
            numbers = numbers_of(item)
            if numbers and (not self.wanted or self.wanted & set(numbers)):
                kept.append(item)
                for number in numbers:
                    self.tests.setdefault(number, []).append(item.nodeid)
        items[:] = kept

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.when == "call" or report.outcome != "passed":
            self.ended[report.nodeid] = report.outcome

    def rows(self) -> list[tuple[str, str, str, str]]:
        """(number, fault, how it stands, where) of every fault asked for."""
        out = []
        for number, (fault, _) in FAULTS.items():
            if self.wanted and number not in self.wanted:
                continue
            tests = self.tests.get(number, [])
            ends = {self.ended.get(test, "not run") for test in tests}
            stands = "missing" if not tests else next(
                (end for end in ("failed", "not run", "skipped") if end in ends), "pass"
            )  # fmt: skip
            where = sorted({test.split("[")[0].removeprefix("tests/") for test in tests})
            out.append((number, fault, stands, ", ".join(where)))
        return out


def numbers_of(item: pytest.Item) -> list[str]:
    """The faults that a test shows. Raises KeyError for a number that is not in the catalogue."""
    numbers = [str(mark.args[0]) for mark in item.iter_markers("fault")]
    for number in numbers:
        FAULTS[number]
    return numbers


def main(arguments: list[str]) -> int:
    """Run the catalogue's tests (or those of the given numbers) and print the table."""
    only_list = "--list" in arguments
    wanted = {argument for argument in arguments if not argument.startswith("-")}
    if unknown := wanted - set(FAULTS):
        print(f"no such fault: {' '.join(sorted(unknown))}; there are {' '.join(FAULTS)}", file=sys.stderr)
        return 2
    table = Table(wanted)
    folder = str(Path(__file__).parent)
    with contextlib.redirect_stdout(io.StringIO()):
        pytest.main([folder, "-qq", "--collect-only"], plugins=[table])
    if not only_list:
        which = (
            sorted({test for tests in table.tests.values() for test in tests}) if wanted else ["-m", "fault", folder]
        )
        pytest.main([*which, "-q", "--no-header", "-p", "no:cacheprovider", "-n", "2"], plugins=[table])
    rows = table.rows()
    print()
    for number, fault, stands, where in rows:
        print(f"{number:4} {'' if only_list and stands == 'not run' else stands:8} {fault}: {FAULTS[number][1]}")
        if number in BECAUSE:
            print(f"     ({BECAUSE[number]})")
        print(f"     {where or '-'}")
    counts = {stands: sum(row[2] == stands for row in rows) for stands in sorted({row[2] for row in rows})}
    print(f"\n{len(rows)} faults: " + ", ".join(f"{count} {stands}" for stands, count in counts.items()))
    bad = {"failed", "missing"} | (set() if only_list else {"not run"})
    return 1 if any(row[2] in bad for row in rows) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
