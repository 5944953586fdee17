"""The API against its own OpenAPI document: schemathesis makes up requests, right and wrong ones, and checks each
answer (no 5xx, documented status and content, answers of the documented shape, wrong values refused, right ones taken).
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, assume, given, settings
from schemathesis import GenerationMode

from monitor.page.guard import BODY_BYTES
from monitor.page.openapi import document
from monitor.page.server import PageServer
from monitor.settings import PageSettings
from tests.page_house import grow, settings_of
from tests.servers import free_port, listens, wait_until

TOKEN = "a-token-for-programs"


def for_programs() -> dict[str, Any]:
    """The document without the page's own header, which nobody needs who shows a bearer token: a made-up one would be
    the only wrong thing about some requests, and is rightly not looked at."""
    made = document()
    for methods in made["paths"].values():
        for operation in methods.values():
            operation["parameters"] = [one for one in operation.get("parameters", []) if one["in"] != "header"]
    return made


SCHEMA = schemathesis.openapi.from_dict(for_programs())
ENDLESS = "/api/events"  # a stream


def wrong_too(path: str, method: str) -> bool:
    """Whether the operation takes anything but names, which may be any text: something that could be wrong."""
    operation = SCHEMA[path][method]
    return bool(operation.body or list(operation.query))


CASES = [
    (path, method, mode)
    for path, methods in document()["paths"].items()
    for method in methods
    for mode in GenerationMode
    if path != ENDLESS and (mode is GenerationMode.POSITIVE or wrong_too(path, method))
]


@pytest.fixture(scope="module")
def base_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("api")
    (folder / "token").write_text(TOKEN)
    (folder / "token").chmod(0o600)
    port = free_port()
    household = settings_of(folder, ["rye"], PageSettings(port=port, token_file=folder / "token"))
    grow(household, 1.0, time.time())
    server = PageServer(household, others=list)  # the broker's other daemons: none
    server.start()
    wait_until(lambda: listens(port), "the page listens")
    yield f"http://127.0.0.1:{port}"
    server.stop()


@pytest.mark.parametrize(("path", "method", "mode"), CASES)
def test_every_answer_is_as_documented(base_url: str, path: str, method: str, mode: GenerationMode) -> None:
    operation = SCHEMA[path][method]

    @settings(max_examples=20, deadline=None, derandomize=True, phases=[Phase.explicit, Phase.generate],
              suppress_health_check=list(HealthCheck))  # fmt: skip
    @given(case=operation.as_strategy(generation_mode=mode))
    def check(case: schemathesis.Case) -> None:
        if path.startswith("/api/jars/{jar}") and mode is GenerationMode.POSITIVE:
            case.path_parameters = {"jar": "rye"}
        assume(len(json.dumps(case.body, default=str)) <= BODY_BYTES // 2)  # what is too long is not read at all
        case.call_and_validate(base_url=base_url, headers={"authorization": f"Bearer {TOKEN}"})

    check()


def test_the_document_is_served_and_names_every_path_of_the_app(base_url: str) -> None:
    import httpx

    served = httpx.get(f"{base_url}/api/openapi.json", headers={"authorization": f"Bearer {TOKEN}"}).json()
    assert served == document()
    for path in (*served["paths"], "/api/nothing"):
        known = path != "/api/nothing"
        answer = httpx.options(
            f"{base_url}{path.replace('{jar}', 'rye').replace('{run}', '1').replace('{cycle}', '1')}",
            headers={"authorization": f"Bearer {TOKEN}"},
        )
        assert (answer.status_code == 405) == known, path
