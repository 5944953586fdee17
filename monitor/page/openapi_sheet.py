"""The description of the feeding sheet, the hand-over and staggered plans; `openapi` puts it beside all else."""

from __future__ import annotations

from monitor.page.feeding_sheet import APART, HOURS
from monitor.page.openapi_terms import (
    NUMBER,
    TEXT,
    WHOLE,
    YES_NO,
    Schema,
    changed,
    get_of,
    list_of,
    maybe,
    object_of,
    ref,
    strict,
)
from monitor.runs.report_body import GRAMS, MOST_FLOUR, MOST_LABEL
from monitor.values import Stage

STAGE: Schema = {"enum": [stage.value for stage in Stage]}
GROUP: Schema = {"name": "group", "in": "query", "required": False, "description": "Whose jars.", "schema": TEXT}


def paths() -> Schema:
    """What can be asked of many jars."""
    hours = {**NUMBER, "minimum": HOURS[0], "maximum": HOURS[1]}
    apart = {**NUMBER, "minimum": APART[0], "maximum": APART[1]}
    times = {**TEXT, "pattern": r"^[0-9]{1,11}(,[0-9]{1,11})*$"}
    return {
        "/api/sheet": {
            "get": get_of(
                "Jars to feed in the next hours, in order", ref("Sheet"), 404, 422, 503,
                parameters=[_query("hours", hours, "How far ahead. Default: 12."), GROUP],
            )
        },
        "/api/handover": {
            "get": get_of(
                "What has happened since a time, newest first", ref("Handover"), 404, 422, 503,
                parameters=[
                    _query("since_s", {**NUMBER, "minimum": 0, "maximum": 1e11}, "Default: eight hours ago."), GROUP
                ],
            )
        },
        "/api/lots": {
            "get": get_of(
                "Open lots of flour; a jar or a lot traced both ways", ref("Lots"), 503,
                parameters=[_query("of", TEXT, "A jar: what is in it. A lot, or a jar as seed: where it went.")],
            )
        },
        "/api/lots/opened": {
            "post": changed(
                "Open a lot of a flour, for all jars", "LotOpened", object_of(flour=TEXT, lot=TEXT, from_s=NUMBER)
            )
        },
        "/api/others": {
            "get": get_of("Jars of other daemons, neediest first; with [page] others", ref("Others"), 404)
        },
        "/api/stagger": {
            "get": get_of(
                "A group's feedings, spread over oven times or hands", ref("Staggered"), 404, 409, 422, 503,
                parameters=[
                    {**GROUP, "required": True},
                    _query("ready_s", times, "Oven times, separated by commas. Default: one jar after another."),
                    _query("apart_min", apart, "Minutes between two jars. Default: 10."),
                ],
            )
        },
    }  # fmt: skip


def schemas() -> Schema:
    """What is answered."""
    moment = maybe(object_of(at_s=NUMBER, words=TEXT))
    grams = {key: maybe(NUMBER) for key in GRAMS}
    row = object_of(
        jar=TEXT, group=maybe(TEXT), stage=STAGE, due_s=NUMBER, due_words=TEXT,
        by_words=TEXT, now=YES_NO, ahead_words=TEXT, feeding=maybe(object_of(**grams)), flour=maybe(TEXT),
        fed_by=maybe(TEXT),
    )  # fmt: skip
    planned = object_of(
        jar=TEXT, **grams, met=YES_NO, wanted_words=TEXT, likely_words=TEXT, feed_words=TEXT, because=TEXT
    )
    return {
        "Sheet": object_of(
            now_s=NUMBER, old=maybe(TEXT), hours=NUMBER, group=maybe(TEXT), groups=list_of(TEXT), begin_words=TEXT,
            begin_by=moment, done_by=moment, rows=list_of(row),
            waiting=list_of(object_of(jar=TEXT, why=TEXT, words=TEXT)),
            weigh=list_of(object_of(flour=TEXT, flour_g=NUMBER, lot=maybe(TEXT))), water_g=NUMBER, starter_g=NUMBER,
            untold=list_of(TEXT), odd=list_of(object_of(jar=TEXT, words=TEXT, curves=list_of(TEXT))),
            drifts=list_of(
                object_of(
                    jar=TEXT, words=TEXT, measure={"enum": ["temperature_c", "starting_mm"]}, curves=list_of(TEXT)
                )
            ),
        ),
        "Handover": object_of(
            since_s=NUMBER, words=TEXT,
            happened=list_of(object_of(at_s=NUMBER, jar=TEXT, what=TEXT, by=maybe(TEXT), words=TEXT)),
        ),
        "Lots": object_of(
            of=maybe(TEXT), jars=list_of(TEXT), flours=list_of(TEXT),
            opened=list_of(object_of(flour=TEXT, lot=TEXT, from_s=NUMBER, by=maybe(TEXT), words=TEXT)),
            parts=list_of(object_of(flour=TEXT, lot=maybe(TEXT), part=NUMBER, words=TEXT)),
            got=list_of(object_of(jar=TEXT, part=NUMBER, by_way_of=maybe(TEXT), words=TEXT)),
        ),
        "LotOpened": {
            **strict(flour=_label(MOST_FLOUR), lot=_label(MOST_LABEL), by=maybe({**TEXT, "maxLength": MOST_LABEL})),
            "required": ["flour", "lot"],
        },
        "Others": object_of(
            count=WHOLE, jars=list_of(object_of(jar=TEXT, stage=STAGE, stage_words=TEXT, words=TEXT, stale=YES_NO))
        ),
        "Staggered": object_of(group=TEXT, aim={"enum": ["peak", "fall"]}, rows=list_of(planned)),
    }  # fmt: skip


def _label(most: int) -> Schema:
    """Text that is more than blanks."""
    return {**TEXT, "minLength": 1, "maxLength": most, "pattern": r"\S"}


def _query(name: str, schema: Schema, words: str) -> Schema:
    return {"name": name, "in": "query", "required": False, "description": words, "schema": schema}
