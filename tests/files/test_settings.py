"""A journal's header holds all that the result depends on, and one that is not whole or not ours is refused."""

from __future__ import annotations

import contextlib
import copy
import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench import bench_file, job_file
from bench.errors import CaptureError
from bench.settings import ANALYSIS, Rehearsal, Settings, header, read_header

JOB = job_file.parse(
    {
        "unit": {
            "part_number": "DEMO-4",
            "serial_number": "A-17",
            "rotation": "counterclockwise",
            "poles": 6,
            "impulse_coupling": "removed",
        },
        "limits": {"reference": "Demonstration manual", "revision": "3"},
        "breaker": [
            {
                "name": "main",
                "channel": 2,
                "opens_at_deg": 10.25,
                "minus_deg": 0.1,
                "plus_deg": 0.3,
                "from": "neutral",
                "lobes": [0, 5],
                "capacitor_uf": 0.2,
            },
            {
                "name": "second",
                "channel": 1,
                "opens_at_deg": 30,
                "minus_deg": 1,
                "plus_deg": 1,
                "from": "main.target",
            },
        ],
        "difference": [{"between": ["main", "second"], "deg": 20, "minus_deg": 1, "plus_deg": 1}],
    },
    "demo.toml",
)
BENCH = bench_file.parse({"counts_per_turn": 4096, "probe": {"threshold": [0.25, 0.75]}}, "bench.toml")
WHOLE: dict[str, Any] = header(
    JOB, BENCH, 7, "2024-05-04T10:00:00+02:00", "breakerbench 9", Rehearsal("plain-single", 2**40)
)


def _read(document: Any) -> Settings:
    """Through JSON, as it lies in the journal."""
    return read_header(json.loads(json.dumps(document)), "a.capture")


def test_a_header_comes_back_as_it_went() -> None:
    settings = _read(WHOLE)
    assert settings.job_file == JOB
    assert settings.job == job_file.to_job(JOB)
    assert settings.bench == BENCH
    assert settings.passes == 7
    assert settings.run_date == "2024-05-04T10:00:00+02:00"
    assert settings.software == "breakerbench 9"
    assert settings.rehearsal == Rehearsal("plain-single", 2**40)


def test_a_real_units_header_names_no_rehearsal() -> None:
    assert _read(header(JOB, BENCH, 5, "2024-05-04", "x", None)).rehearsal is None


@pytest.mark.parametrize("key", WHOLE)
def test_a_header_without_one_of_its_keys_is_refused(key: str) -> None:
    document = {k: v for k, v in WHOLE.items() if k != key}
    if key == "rehearsal":
        assert _read(document).rehearsal is None
        return
    with pytest.raises(CaptureError, match=r"^a\.capture"):
        _read(document)


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("format", "other", "not that of a breakerbench journal"),
        ("version", 2, "not that of a breakerbench journal"),
        ("analysis", ANALYSIS + 1, "would not give the same figures"),
        ("passes", 1, "not whole"),
        ("passes", 10_001, "not whole"),
        ("passes", "7", "not whole"),
        ("passes", None, "not whole"),
        ("rehearsal", {"scenario": "x"}, "not whole"),
        ("rehearsal", [], "not whole"),
        ("rehearsal", {"scenario": "x", "seed": "y"}, "not whole"),
        ("job", {}, "job: unit: missing"),
        ("job", None, "job"),
        ("bench", {"extra": 1}, "bench: extra"),
    ],
)
def test_a_header_with_a_wrong_value_is_refused(key: str, value: object, words: str) -> None:
    with pytest.raises(CaptureError) as refusal:
        _read({**WHOLE, key: value})
    assert words in refusal.value.text


LEAVES: st.SearchStrategy[object] = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=5), st.builds(list), st.builds(dict)
)


@given(st.data())
def test_a_header_with_anything_changed_gives_settings_or_a_capture_error(data: st.DataObject) -> None:
    document = copy.deepcopy(WHOLE)
    node: Any = document
    while True:
        place = data.draw(st.sampled_from(list(node) if isinstance(node, dict) else list(range(len(node)))))
        if not isinstance(node[place], (dict, list)) or not node[place] or data.draw(st.booleans()):
            node[place] = data.draw(LEAVES)
            break
        node = node[place]
    with contextlib.suppress(CaptureError):
        assert isinstance(_read(document), Settings)
