"""A baker's assessment of a jar, and the pages of the guide to which each piece of advice leads."""

from __future__ import annotations

from monitor import guide
from monitor.core.assess import vigour
from monitor.core.assess.advice import Advice
from monitor.core.assess.now import current_of
from monitor.core.display.units import Display
from monitor.page.planning import Cultures, said_if_old
from monitor.runs import daemon_status, history
from monitor.runs.report_body import Refused
from monitor.runs.store import Store
from monitor.settings import JarSettings
from monitor.values import Json

COMMANDS = {
    "jartide begun JAR old": "under More, “When was it begun?”",
    "jartide begun JAR DATE": "under More, “When was it begun?”",
    "jartide rest JAR --over": "“Take it out”",
    "jartide rest JAR": "“Into the fridge”",
}
STALE_S = 600.0  # the daemon writes its state each minute; a level moves by millimetres in this time


def assessment(store: Store, known: Cultures, jar: JarSettings, now_s: float, show: Display) -> Json:
    """Is it fit to bake with, what is it doing now, what to try: what `jartide assess` prints. Raises StoreTrouble."""
    status = daemon_status.read(store)
    fresh = status is not None and abs(now_s - status.as_of_s) <= STALE_S
    state = next((one for one in status.jars if one.jar == jar.name), None) if status is not None and fresh else None
    judged = vigour.assess(
        history.of_starter(store, jar.name), store.noted(jar.name), now_s,
        current=current_of(state), culture=known.of(store, jar), display=show,
    )  # fmt: skip
    return {
        "jar": jar.name,
        "verdict": judged.verdict,
        "because": for_page(show.worded(judged.because)),
        "now": " ".join(filter(None, (said_if_old(store, jar, now_s, show), show.worded(judged.now or "")))) or None,
        "flagging": None if judged.flagging is None else show.worded(judged.flagging),
        "advice": advice_json(judged.advice, show),
        "age_days": judged.age_days,
    }


def advice_json(advice: tuple[Advice, ...], show: Display) -> list[Json]:
    """Advice as JSON, each with the topic of the guide that says more."""
    return [{"say": for_page(show.worded(one.say)), "guide": one.guide} for one in advice]


def for_page(words: str) -> str:
    """Advice for the page, where a command of the terminal is a button."""
    for command, button in COMMANDS.items():
        words = words.replace(command, button)
    return words


def page(topic: str) -> Json:
    """The page of the guide that a word opens; "" opens the first. Raises Refused where there is none."""
    found = guide.page(topic, guide.pages()) if topic else guide.pages()[0]
    if found is None:
        raise Refused(f"the guide has no page for {topic[:60]!r}", 404)
    return {
        "key": found.key,
        "title": found.title,
        "paragraphs": [" ".join(part.split()) for part in found.text.split("\n\n")],
        "pages": [{"key": one.key, "title": one.title} for one in guide.pages()],
    }
