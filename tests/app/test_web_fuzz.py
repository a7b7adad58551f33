"""The API against its own description: whatever is sent, it answers, never with a failure of its own."""

from __future__ import annotations

import runpy
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import schemathesis
from fastapi.openapi.utils import get_openapi
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from backstay.adapters.phantom_file import write_run
from backstay.core.imaging.projection import View
from backstay.identifiers import UserRole
from backstay.web.application import application, inside
from backstay.web.serving import local_workbench

ROOT = Path(__file__).resolve().parents[2]
WORKBENCHES = runpy.run_path(str(ROOT / "tests" / "workbenches.py"))
HOST = "127.0.0.1:8750"
SHAPE = {"error", "message", "field", "value", "allowed", "where"}
TRIES = 25
FIXED = {"case": "demo", "rig": "as_it_is", "run": "small.dcm", "frame": 1}
"""Where a path asks for these, half the tries go to a case that is there."""

PATIENCE_S = 120.0
"""Whether a request fails is asked, not how fast it is; a practice run is drawn in some seconds."""

schemathesis.serializer.alias("application/dicom", "application/octet-stream")


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("library")
    WORKBENCHES["small_case"](ROOT / "examples" / "demo", folder / "demo")
    view = View(0.3, 0.2, 1000.0, 750.0, 0.3, 0.3, 64, 64)
    grey = np.random.default_rng(1).integers(0, 255, (3, 64, 64)).astype(np.uint16)
    write_run(folder / "demo" / "small.dcm", grey, view, bits=8, logarithmic=True, name="small", number=1)
    # Its thread is not started: what is asked of the solver stays in the queue.
    return local_workbench(folder, port=8750, store_url=f"sqlite:///{folder / 'records.sqlite'}", draws=64)


@pytest.fixture(scope="module")
def api(bench: Any) -> Any:
    behind = inside(bench)
    described = get_openapi(title=behind.title, version=behind.version, routes=behind.routes)
    described["paths"] = {
        path: what for path, what in described["paths"].items() if not path.endswith("/stream")
    }
    schema = schemathesis.openapi.from_dict(described)
    schema.app = application(bench, hosts=frozenset({HOST}))
    return schema


def test_no_request_makes_it_fail(api: Any, bench: Any) -> None:
    # Driven by hypothesis directly: the package's own pytest plug-in does not know this pytest.
    operations = [found.ok() for found in api.get_all_operations()]
    assert len(operations) >= 20
    answered = Counter[int]()
    for operation in operations:

        @settings(max_examples=TRIES, suppress_health_check=list(HealthCheck))
        @given(case=operation.as_strategy(), here=st.booleans())
        def holds(case: Any, here: bool) -> None:
            secret, _ = bench.visits.begin("tester", UserRole.OPERATOR)  # one of the requests ends the visit
            for name, value in FIXED.items():
                if here and name in (case.path_parameters or {}):
                    case.path_parameters[name] = value
            answer = case.call(
                timeout=PATIENCE_S,
                base_url=f"http://{HOST}",
                headers={"origin": f"http://{HOST}", "host": HOST},
                cookies={bench.cookie: secret},
            )
            said = (case.method, case.path, answer.status_code, answer.content[:300])
            answered[answer.status_code // 100] += 1
            assert answer.status_code < 500, said
            if answer.status_code >= 400:
                assert set(answer.json()) == SHAPE, said

        holds()
    assert answered[2] > 20 and answered[4] > 20, answered
