"""The part of the API's description that is about settings and calibration."""

from __future__ import annotations

from monitor.page.calibrating import MOST_FILLS
from monitor.page.openapi_terms import (
    JAR,
    NUMBER,
    OBJECT,
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
)  # fmt: skip
from monitor.runs.report_body import LATEST_S
from monitor.values import Json

SAVED = object_of(saved=YES_NO)


def paths() -> Schema:
    """By path."""
    since: Schema = {
        "name": "since_s", "in": "query", "required": False, "description": "From when; within the last hour.",
        "schema": {**NUMBER, "minimum": 0, "maximum": LATEST_S},
    }  # fmt: skip
    tested = object_of(sent=YES_NO, shown=TEXT, why_not=maybe(TEXT))
    return {
        "/api/settings": {
            "get": get_of("Settings that people can change, and whether they may", ref("Settings"), 503),
            "post": changed("Change the notices or a jar, with the password", "SettingsChange", SAVED, 404, 409),
        },
        "/api/settings/addresses": {
            "post": changed("Add or remove an address, with the password", "AddressesChange", SAVED, 404, 409)
        },
        "/api/settings/test": {
            "post": changed("Send a test to an address, with the password", "AddressTest", tested, 404, 409)
        },
        "/api/settings/fit": {
            "post": changed("What known fills say about a jar; changes nothing", "Fills", ref("Fit"), 409)
        },
        "/api/jars/{jar}/distances": {
            "get": get_of("Distances that a sensor has read lately", ref("Distances"), 404, 422, 503,
                          parameters=[JAR, since]),
        },
    }  # fmt: skip


def schemas() -> Schema:
    """By name."""
    positive: Schema = {**NUMBER, "minimum": 0, "maximum": 99_999}
    known_and_read: Json = [positive, {**list_of(positive), "minItems": 1}]
    fill: Schema = {"type": "array", "minItems": 2, "maxItems": 2, "prefixItems": known_and_read}
    return {
        "Settings": object_of(
            may_change=YES_NO, why_not=maybe(TEXT), notices=OBJECT, usual=OBJECT, kinds=list_of(OBJECT),
            addresses=list_of(OBJECT), jars=list_of(OBJECT), limits=OBJECT,
        ),
        "SettingsChange": {**strict(password=TEXT, jar=TEXT, values=OBJECT), "required": ["password", "values"]},
        "AddressesChange": {**strict(password=TEXT, add=TEXT, remove=WHOLE), "required": ["password"]},
        "AddressTest": {**strict(password=TEXT, place=WHOLE), "required": ["password", "place"]},
        "Fills": {
            **strict(unit={"enum": ["mm", "ml"]}, fills={**list_of(fill), "minItems": 1, "maxItems": MOST_FILLS}),
            "required": ["unit", "fills"],
            "description": "Each fill is [known, [distances in mm]]; the empty jar is known as 0.",
        },
        "Fit": object_of(
            empty_mm=NUMBER, geometry=maybe(OBJECT), residuals_mm=list_of(NUMBER), remarks=list_of(TEXT),
            doubtful=YES_NO,
        ),
        "Distances": object_of(jar=TEXT, readings=list_of({**list_of(NUMBER), "minItems": 2, "maxItems": 2})),
    }  # fmt: skip
