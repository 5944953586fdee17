"""The part of the API's description that is about planning and advice: plans, bakes, a baker's word, the guide."""

from __future__ import annotations

from monitor.core.plan.feeding import AIMS
from monitor.page.openapi_terms import (
    JAR,
    NUMBER,
    OBJECT,
    TEXT,
    TOKEN,
    WHOLE,
    YES_NO,
    Schema,
    errors_of,
    get_of,
    json_of,
    list_of,
    maybe,
    object_of,
    ref,
)  # fmt: skip
from monitor.page.planning import (
    BAKE_FLOUR_G,
    FLOUR_G,
    HYDRATION_PCT,
    JAR_ML,
    KEEP_G,
    LEVAIN_PCT,
    TARGET_H,
    TEMPERATURE_C,
    WATER_C,
)  # fmt: skip
from monitor.runs.report_body import MOST_FLOUR

ADVICE = object_of(say=TEXT, guide=TEXT)
TOPIC = {"name": "topic", "in": "path", "required": True, "schema": {**TEXT, "minLength": 1}}


def _queries() -> tuple[list[Schema], list[Schema]]:
    """The parameters of a plan and of a bake."""
    limits = {
        "target_h": (TARGET_H, "Hours from the feeding to the start of fall. Default: the jar's cycle_h."),
        "temperature_c": (TEMPERATURE_C, "Expected at the jar. Default: its usual day."),
        "keep_g": (KEEP_G, "Starter to keep. Default: to suit last time's flour."),
        "hydration_pct": (HYDRATION_PCT, "Water as % of the flour. Default: as last fed."),
        "flour_g": (FLOUR_G, "Flour to use. With keep_g and water_g: what will that feeding do?"),
        "water_g": (FLOUR_G, "Water to use; goes with keep_g and flour_g."),
        "jar_ml": (JAR_ML, "The jar's size, so that it does not run over. Default: up to its rim."),
        "standing_g": (KEEP_G, "What is in the jar now, for the discard. Default: from its last feeding."),
        "ripe_g": (FLOUR_G, "Ripe starter needed: for the bake and to keep."),
        "least_keep_g": (KEEP_G, "Keep no less than this."),
        "most_keep_g": (KEEP_G, "Keep no more than this."),
        "water_c": (WATER_C, "Temperature of the water mixed in. Default: as the kitchen."),
        "at_s": ((0.0, 1e11), "When it should be ripe, or what `aim` says, instead of target_h."),
    }
    query = [
        {"name": name, "in": "query", "required": False, "description": words,
         "schema": {**NUMBER, "minimum": low, "maximum": high}}
        for name, ((low, high), words) in limits.items()
    ]  # fmt: skip
    query += [
        {"name": "flour", "in": "query", "required": False, "description": "The flour to feed, if it changes.",
         "schema": {**TEXT, "maxLength": MOST_FLOUR}},
        {"name": "aim", "in": "query", "required": False,
         "description": "What should happen then. Default: `fall` after target_h, `peak` at at_s.",
         "schema": {"enum": [*AIMS]}},
        {"name": "once_a_day", "in": "query", "required": False, "description": "Fed once a day at about this hour.",
         "schema": {"enum": ["true", "false"]}},
        {"name": "change_over", "in": "query", "required": False,
         "description": "Change to the flour or hydration_pct given, feeding by feeding.",
         "schema": {"enum": ["true", "false"]}},
    ]  # fmt: skip
    bake = [
        {"name": name, "in": "query", "required": needed, "description": words,
         "schema": {**NUMBER, "minimum": low, "maximum": high}}
        for name, (low, high), words, needed in (
            ("at_s", (0.0, 1e11), "When the dough is mixed.", True),
            ("flour_g", BAKE_FLOUR_G, "Flour in the dough.", True),
            ("levain_pct", LEVAIN_PCT, "Ripe starter as % of that flour. Default: 20.", False),
            ("temperature_c", TEMPERATURE_C, "Expected at the jar. Default: its usual day.", False),
            ("hydration_pct", HYDRATION_PCT, "Of the levain. Default: as last fed.", False),
            ("keep_g", KEEP_G, "To keep back for the next feeding. Default: 20.", False),
            ("standing_g", KEEP_G, "What is in the jar now. Default: as it was fed.", False),
        )
    ]  # fmt: skip
    bake.append(
        {"name": "fridge", "in": "query", "required": False, "description": "Let it rest in the fridge meanwhile.",
         "schema": {"enum": ["true", "false"]}}
    )  # fmt: skip
    return query, bake


def planning_paths() -> Schema:
    """Plans, bakes, advice and the guide."""
    query, bake = _queries()
    return {
        "/api/guide": {"get": get_of("The first page of the guide", ref("GuidePage"))},
        "/api/guide/{topic}": {
            "get": get_of("A page of the guide, by any word that opens it", ref("GuidePage"), 404, parameters=[TOPIC])
        },
        "/api/jars/{jar}/assessment": {
            "get": get_of(
                "Is it fit to bake with, what is it doing, what to try", ref("Assessment"), 404, 503, parameters=[JAR]
            )
        },
        "/api/jars/{jar}/plan": {
            "get": get_of("The next feeding", ref("Plan"), 404, 409, 422, 503, parameters=[JAR, *query])
        },
        "/api/jars/{jar}/bake": {
            "get": get_of(
                "The feedings on the way to a bake", ref("Bake"), 404, 409, 422, 503, parameters=[JAR, *bake]
            ),
            "post": _bake_kept(bake),
        },
        "/api/jars/{jar}/bake/dropped": {"post": _bake_dropped()},
    }


def planning_schemas() -> Schema:
    """Their answers."""
    return {
        "Bake": object_of(
            jar=TEXT, at_s=NUMBER, feedings=list_of(OBJECT), ready=OBJECT, take_g=WHOLE, keep_g=WHOLE, discard_g=WHOLE,
            met=YES_NO, because=TEXT, at_night=YES_NO, by_day=list_of(TEXT), rest=maybe(TEXT),
            rest_from_s=maybe(NUMBER), meanwhile=maybe(TEXT),
            instead=list_of(TEXT), cautions=list_of(TEXT), cycles=WHOLE,
        ),
        "Assessment": object_of(
            jar=TEXT, verdict={"enum": ["yes", "not yet", "no"]}, because=TEXT, now=maybe(TEXT), flagging=maybe(TEXT),
            advice=list_of(ADVICE), age_days=maybe(NUMBER),
        ),
        "GuidePage": object_of(
            key=TEXT, title=TEXT, paragraphs=list_of(TEXT), pages=list_of(object_of(key=TEXT, title=TEXT))
        ),
        "Plan": object_of(
            **_planned_feeding(), jar=TEXT, target_h=NUMBER, temperature_c=NUMBER, met=maybe(YES_NO), line=maybe(TEXT),
            because=TEXT, instead=list_of(TEXT), caution=maybe(TEXT), cycles=WHOLE,
            first=list_of(object_of(**_planned_feeding())), unripe=maybe(TEXT), young=maybe(TEXT), jar_ml=maybe(NUMBER),
            standing_g=maybe(NUMBER),
        ),
    }  # fmt: skip


def _planned_feeding() -> dict[str, Schema]:
    """When, what to weigh, and what will come of it."""
    return {
        "at_s": NUMBER, "words": TEXT, "starter_g": NUMBER, "flour_g": NUMBER, "water_g": NUMBER, "ratio": TEXT,
        "discard_g": maybe(WHOLE), "least_jar_ml": maybe(WHOLE), "hours_to_peak": list_of(NUMBER),
        "hours_to_highest": list_of(NUMBER), "hours_to_fall": list_of(NUMBER), "course": maybe(OBJECT),
    }  # fmt: skip


def _bake_kept(parameters: list[Schema]) -> Schema:
    return {
        "summary": "Keep this bake instead of the last one; it then appears in the calendars",
        "operationId": "bake_kept",
        "parameters": [JAR, TOKEN, *parameters],
        "responses": {
            "201": {"description": "Kept", "content": json_of(object_of(kept=YES_NO))},
            **errors_of(401, 403, 404, 409, 413, 422, 503),
        },
    }


def _bake_dropped() -> Schema:
    return {
        "summary": "Cancel the bake",
        "operationId": "bake_dropped",
        "parameters": [JAR, TOKEN],
        "responses": {
            "201": {"description": "Forgotten", "content": json_of(object_of(kept=YES_NO))},
            **errors_of(401, 403, 404, 413, 503),
        },
    }
