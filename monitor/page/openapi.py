"""The description of the API (OpenAPI 3.1, https://spec.openapis.org/oas/v3.1.0), as the app serves it at
`api/openapi.json` and as the tests hold it against the app.
"""

from __future__ import annotations

from monitor import __version__
from monitor.core.assess.age import DRIED, OLD
from monitor.core.assess.notebook import TEXT_CHARS
from monitor.core.display.face import Look
from monitor.page import openapi_settings, openapi_sheet
from monitor.page.on_phones import ENDPOINT, MOST_CHARS, POINT, SECRET
from monitor.page.openapi_planning import ADVICE, planning_paths, planning_schemas
from monitor.page.openapi_terms import (
    JAR,
    NUMBER,
    OBJECT,
    TEXT,
    TOKEN,
    WHOLE,
    YES_NO,
    Schema,
    changed,
    errors_of,
    get_of,
    json_of,
    list_of,
    maybe,
    object_of,
    post_of,
    ref,
    strict,
)  # fmt: skip
from monitor.page.shapes import MOST_ASKED
from monitor.runs.items import LEAST_G, MOST_G, SNOOZE_H
from monitor.runs.report_body import (
    CHANGEABLE,
    DISCARD,
    GRAMS,
    LATEST_S,
    MOST_DAYS,
    MOST_FLOUR,
    MOST_LABEL,
    MOST_MINUTES,
    MOST_SEQ,
    NOT_SO,
    NOTES,
)
from monitor.runs.trials import LEAST_JARS, MOST_JARS, MOST_NAME
from monitor.values import Noting, Stage

ENDPOINT_OF: Schema = {**TEXT, "pattern": f"^{ENDPOINT.pattern}$", "maxLength": MOST_CHARS}
PUSH_KEYS: Schema = {
    "type": "object",
    "properties": {
        "p256dh": {**TEXT, "pattern": f"^{POINT.pattern}$"},
        "auth": {**TEXT, "pattern": f"^{SECRET.pattern}$"},
    },
    "required": ["p256dh", "auth"],
}


def document() -> Schema:
    """The whole document."""
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Jartide",
            "version": __version__,
            "description": "What is known about jars of sourdough starter, and what people report about them. Times "
            "are Unix seconds, UTC; names include units; null means unknown. Errors are {error: sentence}.",
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
    shapes = [
        {"name": "most", "in": "query", "required": False, "description": "How many, newest first. Default: 3.",
         "schema": {**NUMBER, "minimum": 1, "maximum": MOST_ASKED}},
        {"name": "of", "in": "query", "required": False, "description": "Which: run:cycle, separated by commas.",
         "schema": {**TEXT, "pattern": r"^[0-9]{1,9}:[0-9]{1,9}(,[0-9]{1,9}:[0-9]{1,9})*$"}},
    ]  # fmt: skip
    number = {"type": "integer", "minimum": 0, "maximum": 2**31 - 1}
    place = [{"name": key, "in": "path", "required": True, "schema": number} for key in ("run", "cycle")]
    return {
        "/api/session": {"get": get_of("The token to send with every report", object_of(token=TEXT, read_only=YES_NO))},
        "/api/now": {"get": get_of("Every watched jar now", ref("Now"))},
        "/api/events": {
            "get": {
                "summary": "Server-sent events, each with data of the form Change; an event `again`: fetch everything",
                "operationId": "events",
                "parameters": [
                    {"name": "after", "in": "query", "required": False, "description": "`place` of GET api/now.",
                     "schema": TEXT}
                ],
                "responses": {
                    "200": {"description": "A stream without end", "content": {"text/event-stream": {"schema": TEXT}}},
                    **errors_of(401, 503),
                },
            }
        },
        "/api/jars": {"get": get_of("The names of all jars with a past", list_of(TEXT), 503)},
        "/api/jars/{jar}/curve": {"get": get_of("The open cycle's curve", ref("OpenCurve"), 404, parameters=[JAR])},
        "/api/jars/{jar}/cycles": {
            "get": get_of(
                "Past cycles, newest first, and an assessment of the starter", ref("Past"), 404, 503, parameters=[JAR]
            )
        },
        "/api/jars/{jar}/shapes": {
            "get": get_of(
                "Shapes of past rises: the rise ratio against hours since the feeding",
                list_of(ref("Shape")), 404, 422, 503, parameters=[JAR, *shapes],
            )
        },
        **planning_paths(),
        "/api/jars/{jar}/fed": {"post": post_of("Report a feeding", "Fed", 409)},
        "/api/jars/{jar}/noted": {"post": post_of("Add a note", "Noted")},
        "/api/jars/{jar}/note_changed": {
            "post": {
                **changed("Change or remove a note", "NoteChanged", object_of(at_s=NUMBER), 404, 409),
                "parameters": [JAR, TOKEN],
            }
        },
        "/api/jars/{jar}/taken_back": {"post": post_of("Take back the last entry, if it was a slip", "TakenBack", 409)},
        "/api/jars/{jar}/corrected": {"post": post_of("Correct a past feeding", "Corrected", 409)},
        "/api/jars/{jar}/not_so": {"post": post_of("Say that an event did not happen", "NotSo", 409)},
        "/api/jars/{jar}/begun": {"post": post_of("Say when a starter was begun, or that it is old", "Begun")},
        "/api/jars/{jar}/snoozed": {"post": post_of("Hold notices back for some hours", "Snoozed")},
        "/api/jars/{jar}/reading": {"post": _reading()},
        "/api/phones": {
            "get": get_of("The key for subscribing to notices", ref("Phones"), 503),
            "post": _phone("Notices on this phone, by Web Push", "phone_added", "Phone", 409),
        },
        "/api/phones/left": {"post": _phone("No more notices on this phone", "phone_left", "PhoneLeft")},
        "/api/calendar": {"get": get_of("Calendar addresses, for all jars and for each", ref("Calendars"), 503)},
        "/api/calendar/revoked": {"post": _revoked()},
        "/api/runs/{run}/cycles/{cycle}": {
            "get": get_of(
                "One cycle with its curve, by clock hours and by hours as if at 24 degC",
                ref("CycleCurve"), 404, 422, 503, parameters=place,
            )
        },
        "/api/runs/{run}/cycles/{cycle}/top": {
            "get": get_of(
                "One past cycle's peak and start of fall, each with the range that holds 90 %",
                ref("CycleTop"), 404, 422, 503, parameters=place,
            )
        },
        **openapi_sheet.paths(),
        "/api/trials": {"get": get_of("Trials and how they stand", list_of(OBJECT), 503)},
        **{f"/api/trials/{what}": {"post": changed(words, name, object_of(trial=TEXT, since_s=NUMBER), *errors)}
           for what, words, name, errors in (
               ("begun", "Begin a trial: jars side by side under a name", "TrialBegun", (404, 409)),
               ("ended", "End a trial: cycles fed from now on do not count", "TrialNamed", (404,)),
               ("forgotten", "Forget a trial; its jars and cycles stay", "TrialNamed", (404,)),
           )},
        **openapi_settings.paths(),
        "/api/health": {"get": get_of("The health of the program", ref("Health"), 503)},
        "/api/openapi.json": {"get": get_of("This document", OBJECT)},
    }  # fmt: skip


def _phone(summary: str, name: str, schema: str, *errors: int) -> Schema:
    return {
        "summary": summary,
        "operationId": name,
        "parameters": [TOKEN],
        "requestBody": {"required": True, "content": json_of(ref(schema))},
        "responses": {
            "201": {"description": "Kept", "content": json_of(object_of(kept=YES_NO))},
            **errors_of(400, 401, 403, 413, 415, 422, 503, *errors),
        },
    }


def _revoked() -> Schema:
    return {
        "summary": "Give the calendars new addresses; the old ones stop working",
        "operationId": "calendars_revoked",
        "parameters": [TOKEN],
        "responses": {
            "201": {"description": "The new addresses", "content": json_of(ref("Calendars"))},
            **errors_of(401, 403, 413, 503),
        },
    }


def _reading() -> Schema:
    """A board's reading."""
    body = object_of(distance_mm=NUMBER)
    body["properties"].update({"temperature_c": NUMBER, "seq": {**WHOLE, "minimum": 0}})
    return {
        "summary": "A reading of a board that speaks only HTTP, as its line of JSON; only with the bearer token",
        "operationId": "reading",
        "parameters": [JAR],
        "requestBody": {"required": True, "content": {"application/json": {"schema": body}}},
        "responses": {
            "201": {"description": "It is stored", "content": json_of(object_of(stored=YES_NO))},
            **errors_of(401, 403, 404, 413, 422, 503),
        },
    }


def _schemas() -> Schema:
    ours = (_now_schemas(), planning_schemas(), _past_schemas(), _health_schemas(), _told_schemas(),
            openapi_settings.schemas(), openapi_sheet.schemas())  # fmt: skip
    return {"Error": object_of(error=TEXT), **{name: one for some in ours for name, one in some.items()}}


def _now_schemas() -> Schema:
    """The jars as they are."""
    return {
        "Now": object_of(
            as_of_s=maybe(NUMBER), now_s=NUMBER, watching=YES_NO, place=TEXT, trouble=maybe(TEXT),
            troubles=list_of(TEXT), jars=list_of(ref("Jar")), quiet_jars=list_of(TEXT), units=OBJECT,
            time_zone=maybe(TEXT),
        ),
        "Phones": object_of(key=maybe(TEXT), why_not=maybe(TEXT)),
        "Calendars": object_of(all=TEXT, jars=OBJECT, address=maybe(TEXT)),
        "Change": {
            **object_of(
                as_of_s=maybe(NUMBER), now_s=NUMBER, watching=YES_NO, troubles=list_of(TEXT), trouble=maybe(TEXT),
                jars=list_of(ref("Jar")), curves=OBJECT,
            ),
            "required": ["as_of_s", "now_s", "watching", "troubles"],
            "description": "What has changed, as in Now; `curves` holds new points of jars' curves by their columns.",
        },
        "Jar": object_of(
            jar=TEXT, run=maybe(WHOLE), cycle=maybe(WHOLE), stage={"enum": [stage.value for stage in Stage]},
            face=ref("Face"), stage_words=TEXT, scale=maybe(OBJECT), course=maybe(OBJECT),
            lid_off=list_of(list_of(NUMBER)), rise_began_s=maybe(NUMBER), silent_since_s=maybe(NUMBER),
            level_mm=maybe(NUMBER), rise_ratio=maybe(NUMBER),
            slope_mm_per_h=maybe(NUMBER), temperature_c=maybe(NUMBER), rim_mm=maybe(NUMBER), empty_mm=maybe(NUMBER),
            fed=maybe(OBJECT), forecast=maybe(OBJECT), next_notice=maybe(OBJECT), waiting=YES_NO, health=list_of(TEXT),
            heard=maybe(object_of(at_s=NUMBER, words=TEXT)),
            throw_away=maybe(object_of(at_s=NUMBER, words=TEXT, says=TEXT)), question=maybe(TEXT), last_feeding=OBJECT,
            asked_s=maybe(list_of(NUMBER)), seen=list_of(object_of(event=TEXT, words=TEXT, none_words=TEXT)),
            notes=list_of(ref("Note")),
            last_told=maybe(object_of(seq=WHOLE, what_words=TEXT, words=TEXT)),
            usual_taken=maybe(OBJECT), bake=maybe(object_of(at_s=NUMBER, words=TEXT, moved=list_of(TEXT))),
        ),
        "Face": object_of(
            look={"enum": [look.value for look in Look]}, word=TEXT, since=TEXT, headline=TEXT, detail=TEXT, row=TEXT,
            short=TEXT, need=WHOLE,
        ),
        "Note": object_of(
            at_s=NUMBER, what={"enum": [note.value for note in Noting]}, what_words=TEXT, text=TEXT, says=TEXT,
            may_change=YES_NO, by=maybe(TEXT), words=TEXT,
        ),
        "OpenCurve": object_of(
            jar=TEXT, place=TEXT, fed_at_s=maybe(NUMBER), level_known=YES_NO, start_mm=maybe(NUMBER), gap_s=NUMBER,
            curve=_columns(),
        ),
        "Shape": object_of(run=WHOLE, cycle=WHOLE, fed_at_s=NUMBER, hours=list_of(NUMBER), ratio=list_of(NUMBER)),
    }  # fmt: skip


def _past_schemas() -> Schema:
    """Cycles and trials."""
    row = {
        "jar": TEXT, "run": WHOLE, "cycle": WHOLE, "imported": YES_NO, "fed_at_s": NUMBER, "ended_at_s": maybe(NUMBER),
        "sure": YES_NO, "smoothed": YES_NO, "rested": YES_NO, **{key: maybe(NUMBER) for key in GRAMS},
        "flour": maybe(TEXT), "ratio": maybe(TEXT), "rise_ratio": maybe(NUMBER),
        "reached_ratio": maybe(NUMBER), "hours_to_peak": maybe(NUMBER),
        "hours_to_fall": maybe(NUMBER), "equivalent_hours_to_peak": maybe(NUMBER),
        "mean_temperature_c": maybe(NUMBER), "notes": list_of(ref("Note")),
    }  # fmt: skip
    span = maybe(object_of(earliest_s=NUMBER, likely_s=NUMBER, latest_s=NUMBER))
    three = maybe({**list_of(NUMBER), "minItems": 3, "maxItems": 3})
    return {
        "Past": object_of(
            jar=TEXT, count=WHOLE, cycles=list_of(ref("Cycle")), verdict=TEXT, because=TEXT, advice=list_of(ADVICE),
            discarded_g=OBJECT,
        ),
        "Cycle": object_of(**row),
        "CycleCurve": object_of(
            **row, level_known=YES_NO, start_mm=maybe(NUMBER), scale=maybe(OBJECT), rise_began_s=maybe(NUMBER),
            lid_off=list_of(list_of(NUMBER)), gap_s=NUMBER, curve=_columns(), clock_h=list_of(NUMBER),
            equivalent_h=list_of(NUMBER), marks=list_of(object_of(kind=TEXT, at_s=NUMBER)),
        ),
        "CycleTop": object_of(
            run=WHOLE, cycle=WHOLE, peak_at=span, fall_at=span, hours_to_peak=three, hours_to_fall=three,
            rise_ratio=three, known_at_s=maybe(NUMBER),
        ),
    }  # fmt: skip


def _health_schemas() -> Schema:
    return {
        "Health": object_of(
            as_of_s=maybe(NUMBER), watching=YES_NO, sources=list_of(OBJECT), troubles=list_of(TEXT), store=OBJECT,
            notices=OBJECT, rejected=list_of(OBJECT),
        ),
    }  # fmt: skip


def _told_schemas() -> Schema:
    """What may be told: strict, with the limits that `telling` holds."""
    by = {"by": maybe({**TEXT, "maxLength": MOST_LABEL})}
    ago = {"minutes_ago": maybe({**NUMBER, "minimum": 0, "maximum": MOST_MINUTES}), **by}
    lot = maybe({**TEXT, "maxLength": MOST_LABEL})
    weighed = {**NUMBER, "minimum": LEAST_G, "maximum": MOST_G}
    moment = {**NUMBER, "minimum": 0, "maximum": LATEST_S}
    maybe_none: Schema = {"anyOf": [weighed, {"const": 0}, {"type": "null"}]}
    return {
        "Fed": strict(
            starter_g=maybe_none, flour_g=maybe(weighed), water_g=maybe_none,
            flour=maybe({**TEXT, "maxLength": MOST_FLOUR}), flour_lot=lot, seed=lot, **ago,
        ),
        "Begun": {
            "oneOf": [
                {**strict(days_ago={**WHOLE, "minimum": 0, "maximum": MOST_DAYS}, **by), "required": ["days_ago"]},
                {**strict(how={"enum": [OLD, DRIED]}, **by), "required": ["how"]},
            ]
        },
        "Snoozed": {
            **strict(hours={**NUMBER, "minimum": SNOOZE_H[0], "maximum": SNOOZE_H[1]}, **by), "required": ["hours"]
        },
        "Noted": {
            "oneOf": [
                {
                    **strict(what={"enum": [note for note in NOTES if note != Noting.DISCARD]},
                              text=maybe({**TEXT, "maxLength": TEXT_CHARS}), **ago),
                    "required": ["what"],
                },
                {
                    **strict(what={"const": Noting.DISCARD.value}, text={**TEXT, "pattern": DISCARD}, **ago),
                    "required": ["what", "text"],
                },
            ]
        },
        "NoteChanged": {
            **strict(at_s={**NUMBER, "minimum": 0, "maximum": LATEST_S},
                     what={"enum": [note for note in CHANGEABLE if note != Noting.DISCARD]},
                     text=maybe({**TEXT, "maxLength": TEXT_CHARS}), new_text=maybe({**TEXT, "maxLength": TEXT_CHARS}),
                     new_at_s=maybe({**NUMBER, "minimum": 0, "maximum": LATEST_S})),
            "required": ["at_s", "what", "text", "new_text"],
        },
        "TrialBegun": {
            **strict(name={**TEXT, "minLength": 1, "maxLength": MOST_NAME},
                     jars={**list_of(TEXT), "minItems": LEAST_JARS, "maxItems": MOST_JARS, "uniqueItems": True}),
            "required": ["name", "jars"],
        },
        "TrialNamed": {**strict(name=TEXT), "required": ["name"]},
        "Phone": {**strict(endpoint=ENDPOINT_OF, keys=PUSH_KEYS), "required": ["endpoint", "keys"]},
        "PhoneLeft": {**strict(endpoint=ENDPOINT_OF), "required": ["endpoint"]},
        "Corrected": {
            **strict(
                fed_at_s=moment, at_s=maybe(moment), starter_g=maybe_none,
                flour_g=maybe(weighed), water_g=maybe_none, flour=maybe({**TEXT, "maxLength": MOST_FLOUR}),
            ),
            "required": ["fed_at_s"],
        },
        "NotSo": {**strict(event={**TEXT, "pattern": NOT_SO}), "required": ["event"]},
        "TakenBack": {**strict(seq={**WHOLE, "minimum": 1, "maximum": MOST_SEQ}), "required": ["seq"]},
    }  # fmt: skip


def _columns() -> Schema:
    """A curve."""
    return object_of(
        time_s=list_of(NUMBER), middle_mm=list_of(NUMBER), lowest_mm=list_of(NUMBER), highest_mm=list_of(NUMBER),
        temperature_c=list_of(maybe(NUMBER)),
    )  # fmt: skip
