"""The description of the API (OpenAPI 3.1, https://spec.openapis.org/oas/v3.1.0), as the app serves it at
`api/openapi.json` and as the tests hold it against the app.
"""

from __future__ import annotations

from typing import Any

from monitor import __version__
from monitor.core.assess.notebook import TEXT_CHARS
from monitor.core.display.face import Look
from monitor.page.planning import BAKE_FLOUR_G, HYDRATION_PCT, KEEP_G, LEVAIN_PCT, TARGET_H, TEMPERATURE_C
from monitor.page.shapes import MOST_ASKED
from monitor.runs.items import LEAST_G, MOST_G, SNOOZE_H
from monitor.runs.report_body import DISCARD, GRAMS, MOST_FLOUR, MOST_MINUTES, MOST_SEQ, NOTES
from monitor.values import Noting, Stage

Schema = dict[str, Any]

TEXT: Schema = {"type": "string"}
NUMBER: Schema = {"type": "number"}
WHOLE: Schema = {"type": "integer"}
YES_NO: Schema = {"type": "boolean"}
OBJECT: Schema = {"type": "object"}
ERROR: Schema = {"$ref": "#/components/schemas/Error"}
JAR = {
    "name": "jar",
    "in": "path",
    "required": True,
    "description": "The jar's name.",
    "schema": {**TEXT, "minLength": 1},
}
TOKEN = {
    "name": "X-Jartide-Token",
    "in": "header",
    "required": False,
    "description": "The token of GET api/session, with the cookie that came with it; not with a bearer token.",
    "schema": TEXT,
}


def document() -> Schema:
    """The whole document."""
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Jartide",
            "version": __version__,
            "description": "What is believed about jars of sourdough starter, and what a person tells about them. "
            "Times are Unix seconds, UTC; units stand in the names; null is unknown. Errors are {error: sentence}.",
        },
        "servers": [{"url": "./.."}],
        "security": [{}, {"cookie": []}, {"bearer": []}],
        "paths": _paths(),
        "components": {
            "schemas": _schemas(),
            "securitySchemes": {
                "cookie": {"type": "apiKey", "in": "cookie", "name": "jartide"},
                "bearer": {"type": "http", "scheme": "bearer"},
            },
        },
    }


def _paths() -> Schema:
    limits = {
        "target_h": (TARGET_H, "Hours from the feeding to the start of fall. Default: the jar's cycle_h."),
        "temperature_c": (TEMPERATURE_C, "Expected at the jar. Default: its usual day."),
        "keep_g": (KEEP_G, "Starter to keep. Default: as the flour of last time asks."),
        "hydration_pct": (HYDRATION_PCT, "Water to flour. Default: as last fed."),
    }
    query = [
        {"name": name, "in": "query", "required": False, "description": words,
         "schema": {**NUMBER, "minimum": low, "maximum": high}}
        for name, ((low, high), words) in limits.items()
    ]  # fmt: skip
    shapes = [
        {"name": "most", "in": "query", "required": False, "description": "How many, newest first. Default: 3.",
         "schema": {**NUMBER, "minimum": 1, "maximum": MOST_ASKED}},
        {"name": "of", "in": "query", "required": False, "description": "Which: run:cycle, with commas between.",
         "schema": {**TEXT, "pattern": r"^[0-9]{1,9}:[0-9]{1,9}(,[0-9]{1,9}:[0-9]{1,9})*$"}},
    ]  # fmt: skip
    bake = [
        {"name": name, "in": "query", "required": needed, "description": words,
         "schema": {**NUMBER, "minimum": low, "maximum": high}}
        for name, (low, high), words, needed in (
            ("at_s", (0.0, 1e11), "When the dough is mixed.", True),
            ("flour_g", BAKE_FLOUR_G, "Flour of the dough.", True),
            ("levain_pct", LEVAIN_PCT, "Ripe starter to that flour. Default: 20.", False),
            ("temperature_c", TEMPERATURE_C, "Expected at the jar. Default: its usual day.", False),
        )
    ]  # fmt: skip
    number = {"type": "integer", "minimum": 0, "maximum": 2**31 - 1}
    place = [{"name": key, "in": "path", "required": True, "schema": number} for key in ("run", "cycle")]
    return {
        "/api/session": {"get": _get("The token that a telling must carry", _object(token=TEXT, read_only=YES_NO))},
        "/api/now": {"get": _get("Every watched jar now", _ref("Now"))},
        "/api/events": {
            "get": {
                "summary": "Server-sent events, each with data of the form Change; an event `again`: fetch all anew",
                "operationId": "events",
                "parameters": [
                    {"name": "after", "in": "query", "required": False, "description": "`place` of GET api/now.",
                     "schema": TEXT}
                ],
                "responses": {
                    "200": {"description": "A stream without end", "content": {"text/event-stream": {"schema": TEXT}}},
                    **_errors(401, 503),
                },
            }
        },
        "/api/jars": {"get": _get("The names of all jars with a past", _list(TEXT), 503)},
        "/api/jars/{jar}/curve": {"get": _get("The curve of the open cycle", _ref("OpenCurve"), 404, parameters=[JAR])},
        "/api/jars/{jar}/cycles": {
            "get": _get(
                "Past cycles, newest first, and what is judged of the starter", _ref("Past"), 404, 503, parameters=[JAR]
            )
        },
        "/api/jars/{jar}/shapes": {
            "get": _get(
                "Shapes of past rises: the rise ratio against hours since the feeding",
                _list(_ref("Shape")), 404, 422, 503, parameters=[JAR, *shapes],
            )
        },
        "/api/jars/{jar}/plan": {
            "get": _get("The next feeding", _ref("Plan"), 404, 409, 422, 503, parameters=[JAR, *query])
        },
        "/api/jars/{jar}/bake": {
            "get": _get(
                "The feedings on the way to a bake", _ref("Bake"), 404, 409, 422, 503, parameters=[JAR, *bake]
            ),
            "post": _bake_kept(bake),
        },
        "/api/jars/{jar}/fed": {"post": _post("Tell a feeding", "Fed", 409)},
        "/api/jars/{jar}/noted": {"post": _post("Tell a note", "Noted")},
        "/api/jars/{jar}/taken_back": {"post": _post("Take back what was told last, a slip", "TakenBack", 409)},
        "/api/jars/{jar}/snoozed": {"post": _post("Hold notices back for some hours", "Snoozed")},
        "/api/jars/{jar}/reading": {"post": _reading()},
        "/api/calendar": {"get": _get("Where the calendars of all jars and of each are", _ref("Calendars"), 503)},
        "/api/calendar/revoked": {"post": _revoked()},
        "/api/runs/{run}/cycles/{cycle}": {
            "get": _get(
                "One cycle with its curve, by clock hours and by hours as if at 24 degC",
                _ref("CycleCurve"), 404, 422, 503, parameters=place,
            )
        },
        "/api/runs/{run}/cycles/{cycle}/top": {
            "get": _get(
                "One cycle's peak and start of fall looked back upon, each with the range that holds 90 %",
                _ref("CycleTop"), 404, 422, 503, parameters=place,
            )
        },
        "/api/trials": {"get": _get("Trials and how they stand", _list(OBJECT), 503)},
        "/api/health": {"get": _get("How the watching is doing", _ref("Health"), 503)},
        "/api/openapi.json": {"get": _get("This document", OBJECT)},
    }  # fmt: skip


def _bake_kept(parameters: list[Schema]) -> Schema:
    return {
        "summary": "Keep such a bake in place of the last one: it stands in the calendars from then on",
        "operationId": "bake_kept",
        "parameters": [JAR, TOKEN, *parameters],
        "responses": {
            "201": {"description": "Kept", "content": _json(_object(kept=YES_NO))},
            **_errors(401, 403, 404, 409, 413, 422, 503),
        },
    }


def _revoked() -> Schema:
    return {
        "summary": "Have the calendars at other addresses; the old ones are nowhere from then on",
        "operationId": "calendars_revoked",
        "parameters": [TOKEN],
        "responses": {
            "201": {"description": "The new addresses", "content": _json(_ref("Calendars"))},
            **_errors(401, 403, 413, 503),
        },
    }


def _reading() -> Schema:
    """A board's reading."""
    body = _object(distance_mm=NUMBER)
    body["properties"].update({"temperature_c": NUMBER, "seq": {**WHOLE, "minimum": 0}})
    return {
        "summary": "A reading of a board that speaks only HTTP, as its line of JSON; only with the bearer token",
        "operationId": "reading",
        "parameters": [JAR],
        "requestBody": {"required": True, "content": {"application/json": {"schema": body}}},
        "responses": {
            "201": {"description": "It is stored", "content": {"application/json": {"schema": _object(stored=YES_NO)}}},
            **_errors(401, 403, 413, 422, 503),
        },
    }


def _schemas() -> Schema:
    return {"Error": _object(error=TEXT), **_now_schemas(), **_past_schemas(), **_health_schemas(), **_told_schemas()}


def _now_schemas() -> Schema:
    """The jars as they are."""
    return {
        "Now": _object(
            as_of_s=_maybe(NUMBER), now_s=NUMBER, watching=YES_NO, place=TEXT, trouble=_maybe(TEXT),
            troubles=_list(TEXT), jars=_list(_ref("Jar")), quiet_jars=_list(TEXT), units=OBJECT, time_zone=_maybe(TEXT),
        ),
        "Calendars": _object(all=TEXT, jars=OBJECT, address=_maybe(TEXT)),
        "Change": {
            **_object(
                as_of_s=_maybe(NUMBER), now_s=NUMBER, watching=YES_NO, troubles=_list(TEXT), trouble=_maybe(TEXT),
                jars=_list(_ref("Jar")), curves=OBJECT,
            ),
            "required": ["as_of_s", "now_s", "watching", "troubles"],
            "description": "What has changed, as in Now; `curves` holds new points of jars' curves by their columns.",
        },
        "Jar": _object(
            jar=TEXT, run=_maybe(WHOLE), cycle=_maybe(WHOLE), stage={"enum": [stage.value for stage in Stage]},
            face=_ref("Face"), stage_words=TEXT, scale=_maybe(OBJECT), course=_maybe(OBJECT),
            lid_off=_list(_list(NUMBER)), rise_began_s=_maybe(NUMBER), silent_since_s=_maybe(NUMBER),
            level_mm=_maybe(NUMBER), rise_ratio=_maybe(NUMBER),
            slope_mm_per_h=_maybe(NUMBER), temperature_c=_maybe(NUMBER), rim_mm=_maybe(NUMBER), empty_mm=_maybe(NUMBER),
            fed=_maybe(OBJECT), forecast=_maybe(OBJECT), next_notice=_maybe(OBJECT), waiting=YES_NO, health=_list(TEXT),
            heard=_maybe(_object(at_s=NUMBER, words=TEXT)),
            throw_away=_maybe(_object(at_s=NUMBER, words=TEXT, says=TEXT)), question=_maybe(TEXT), last_feeding=OBJECT,
            notes=_list(_ref("Note")),
            last_told=_maybe(_object(seq=WHOLE, what_words=TEXT, words=TEXT)),
        ),
        "Face": _object(
            look={"enum": [look.value for look in Look]}, word=TEXT, since=TEXT, headline=TEXT, detail=TEXT, row=TEXT,
            short=TEXT, need=WHOLE,
        ),
        "Note": _object(
            at_s=NUMBER, what={"enum": [note.value for note in Noting]}, what_words=TEXT, text=TEXT, says=TEXT,
            words=TEXT,
        ),
        "OpenCurve": _object(
            jar=TEXT, place=TEXT, fed_at_s=_maybe(NUMBER), level_known=YES_NO, start_mm=_maybe(NUMBER), gap_s=NUMBER,
            curve=_columns(),
        ),
        "Bake": _object(
            jar=TEXT, at_s=NUMBER, feedings=_list(OBJECT), ready=OBJECT, take_g=WHOLE, keep_g=WHOLE, discard_g=WHOLE,
            met=YES_NO, because=TEXT, instead=_list(TEXT), cautions=_list(TEXT), cycles=WHOLE,
        ),
        "Shape": _object(run=WHOLE, cycle=WHOLE, fed_at_s=NUMBER, hours=_list(NUMBER), ratio=_list(NUMBER)),
        "Plan": _object(
            jar=TEXT, target_h=NUMBER, temperature_c=NUMBER, starter_g=WHOLE, flour_g=WHOLE, water_g=WHOLE, ratio=TEXT,
            hours_to_peak=_list(NUMBER), hours_to_fall=_list(NUMBER), met=YES_NO, because=TEXT, instead=_list(TEXT),
            caution=_maybe(TEXT), cycles=WHOLE, course=_maybe(OBJECT),
        ),
    }  # fmt: skip


def _past_schemas() -> Schema:
    """Cycles and trials."""
    row = {
        "jar": TEXT, "run": WHOLE, "cycle": WHOLE, "imported": YES_NO, "fed_at_s": NUMBER, "ended_at_s": _maybe(NUMBER),
        "sure": YES_NO, "rested": YES_NO, **{key: _maybe(NUMBER) for key in GRAMS}, "flour": _maybe(TEXT),
        "ratio": _maybe(TEXT), "rise_ratio": _maybe(NUMBER), "hours_to_peak": _maybe(NUMBER),
        "hours_to_fall": _maybe(NUMBER), "equivalent_hours_to_peak": _maybe(NUMBER),
        "mean_temperature_c": _maybe(NUMBER), "notes": _list(_ref("Note")),
    }  # fmt: skip
    span = _maybe(_object(earliest_s=NUMBER, likely_s=NUMBER, latest_s=NUMBER))
    three = _maybe({**_list(NUMBER), "minItems": 3, "maxItems": 3})
    return {
        "Past": _object(
            jar=TEXT, count=WHOLE, cycles=_list(_ref("Cycle")), verdict=TEXT, because=TEXT, advice=_list(TEXT),
            discarded_g=OBJECT,
        ),
        "Cycle": _object(**row),
        "CycleCurve": _object(
            **row, level_known=YES_NO, start_mm=_maybe(NUMBER), scale=_maybe(OBJECT), rise_began_s=_maybe(NUMBER),
            lid_off=_list(_list(NUMBER)), gap_s=NUMBER, curve=_columns(), clock_h=_list(NUMBER),
            equivalent_h=_list(NUMBER), marks=_list(_object(kind=TEXT, at_s=NUMBER)),
        ),
        "CycleTop": _object(
            run=WHOLE, cycle=WHOLE, peak_at=span, fall_at=span, hours_to_peak=three, hours_to_fall=three,
            rise_ratio=three, known_at_s=_maybe(NUMBER),
        ),
    }  # fmt: skip


def _health_schemas() -> Schema:
    return {
        "Health": _object(
            as_of_s=_maybe(NUMBER), watching=YES_NO, sources=_list(OBJECT), troubles=_list(TEXT), store=OBJECT,
            notices=OBJECT, rejected=_list(OBJECT),
        ),
    }  # fmt: skip


def _told_schemas() -> Schema:
    """What may be told: strict, with the limits that `telling` holds."""
    ago = {"minutes_ago": _maybe({**NUMBER, "minimum": 0, "maximum": MOST_MINUTES})}
    weighed = {**NUMBER, "minimum": LEAST_G, "maximum": MOST_G}
    maybe_none: Schema = {"anyOf": [weighed, {"const": 0}, {"type": "null"}]}
    return {
        "Fed": _strict(
            starter_g=maybe_none, flour_g=_maybe(weighed), water_g=maybe_none,
            flour=_maybe({**TEXT, "maxLength": MOST_FLOUR}), **ago,
        ),
        "Snoozed": {
            **_strict(hours={**NUMBER, "minimum": SNOOZE_H[0], "maximum": SNOOZE_H[1]}), "required": ["hours"]
        },
        "Noted": {
            "oneOf": [
                {
                    **_strict(what={"enum": [note for note in NOTES if note != Noting.DISCARD]},
                              text=_maybe({**TEXT, "maxLength": TEXT_CHARS}), **ago),
                    "required": ["what"],
                },
                {
                    **_strict(what={"const": Noting.DISCARD.value}, text={**TEXT, "pattern": DISCARD}, **ago),
                    "required": ["what", "text"],
                },
            ]
        },
        "TakenBack": {**_strict(seq={**WHOLE, "minimum": 1, "maximum": MOST_SEQ}), "required": ["seq"]},
    }  # fmt: skip


def _columns() -> Schema:
    """A curve."""
    return _object(
        time_s=_list(NUMBER), middle_mm=_list(NUMBER), lowest_mm=_list(NUMBER), highest_mm=_list(NUMBER),
        temperature_c=_list(_maybe(NUMBER)),
    )  # fmt: skip


def _get(summary: str, schema: Schema, *errors: int, parameters: list[Schema] | None = None) -> Schema:
    name = "".join(word.capitalize() for word in summary.split()[:6])
    return {
        "summary": summary,
        "operationId": name,
        **({"parameters": parameters} if parameters else {}),
        "responses": {
            "200": {"description": summary, "content": _json(schema)},
            **_errors(401, *errors),
        },
    }


def _post(summary: str, schema: str, *errors: int) -> Schema:
    told = _object(seq=WHOLE, at_s=NUMBER)
    return {
        "summary": summary,
        "operationId": schema.lower(),
        "parameters": [JAR, TOKEN],
        "requestBody": {"required": True, "content": _json(_ref(schema))},
        "responses": {
            "201": {"description": "Kept; the daemon takes it up in a second", "content": _json(told)},
            **_errors(400, 401, 403, 404, 413, 415, 422, 503, *errors),
        },
    }  # fmt: skip


def _errors(*statuses: int) -> Schema:
    words = {
        400: "The body is no JSON, or the host is not the page's", 401: "Not signed in",
        403: "Read only, or not from here",
        404: "There is none", 409: "Told a moment ago already, or not what was told last",
        413: "Too long", 415: "Not application/json",
        422: "A value that cannot be", 503: "The store cannot be read just now, or too much is asked at once",
    }  # fmt: skip
    return {str(status): {"description": words[status], "content": _json(ERROR)} for status in sorted(statuses)}


def _json(schema: Schema) -> Schema:
    return {"application/json": {"schema": schema}}


def _ref(name: str) -> Schema:
    return {"$ref": f"#/components/schemas/{name}"}


def _object(**properties: Schema) -> Schema:
    return {"type": "object", "required": list(properties), "properties": properties}


def _strict(**properties: Schema) -> Schema:
    return {"type": "object", "additionalProperties": False, "properties": properties}


def _list(of: Schema) -> Schema:
    return {"type": "array", "items": of}


def _maybe(schema: Schema) -> Schema:
    return {"anyOf": [schema, {"type": "null"}]}
