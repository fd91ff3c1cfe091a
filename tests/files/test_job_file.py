"""Every mistake in a job file is named with file, key and what was expected, and none is let through."""

from __future__ import annotations

import errno
import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pytest_mock import MockerFixture

from bench import job_file
from bench.errors import JobFileError
from bench.job import Job, Reference, ReferenceKind, Rotation, Tolerance

UNIT = """
[unit]
part_number = "DEMO-4"
serial_number = "A-17"
rotation = "clockwise"
poles = 4
impulse_coupling = "none"
"""
GEARED = 'cam = "compensated"\ncylinders = 5\n'
LIMITS = """
[limits]
reference = "Demonstration manual"
revision = "3"
"""
MAIN = """
[[breaker]]
name = "main"
channel = 0
opens_at_deg = 10
minus_deg = 2
plus_deg = 2.5
from = "neutral"
"""
SECOND = """
[[breaker]]
name = "second"
channel = 1
opens_at_deg = 30.0
minus_deg = 1.0
plus_deg = 1.0
from = "main"
"""
DIFFERENCE = """
[[difference]]
between = ["main", "second"]
deg = 0.5
minus_deg = 1
plus_deg = 1
"""
WHOLE = UNIT + LIMITS + MAIN + SECOND + DIFFERENCE


def _write(folder: Path, content: str | bytes) -> Path:
    path = folder / "demo.toml"
    path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    return path


def _job(folder: Path, content: str) -> Job:
    return job_file.to_job(job_file.load(_write(folder, content)))


def _refusal(folder: Path, content: str | bytes) -> str:
    path = _write(folder, content)
    with pytest.raises(JobFileError) as refusal:
        job_file.load(path)
    text = refusal.value.text
    assert text.startswith(f"{path}: ")
    assert text.isprintable()
    assert refusal.value.exit_status == 2
    return text.removeprefix(f"{path}: ")


# --- what is right is taken as written ------------------------------------------------------------------------------


def test_a_whole_job_file_is_taken_as_written(tmp_path: Path) -> None:
    job = _job(tmp_path, WHOLE)
    assert (job.unit.part_number, job.unit.serial_number, job.unit.poles) == ("DEMO-4", "A-17", 4)
    assert job.unit.rotation is Rotation.CLOCKWISE
    assert job.limits is not None
    assert (job.limits.reference, job.limits.revision) == ("Demonstration manual", "3")
    main, second = job.breakers
    assert main.tolerance == Tolerance(10.0, 2.0, 2.5)
    assert main.reference is not None
    assert main.reference.kind is ReferenceKind.NEUTRAL
    assert second.reference is not None
    assert (second.reference.kind, second.reference.breaker) == (ReferenceKind.OPENING, "main")
    (difference,) = job.differences
    assert (difference.first, difference.second, difference.tolerance) == ("main", "second", Tolerance(0.5, 1, 1))


def test_without_targets_nothing_but_the_unit_and_its_channels_is_needed(tmp_path: Path) -> None:
    job = _job(tmp_path, UNIT + '[[breaker]]\nname = "main"\nchannel = 0\n')
    assert job.limits is None
    assert job.breakers[0].tolerance is None
    assert job.breakers[0].reference == Reference(ReferenceKind.NEUTRAL)


@pytest.mark.parametrize("poles", [2, 4, 6, 8])
def test_a_unit_has_an_even_number_of_poles(tmp_path: Path, poles: int) -> None:
    assert _job(tmp_path, WHOLE.replace("poles = 4", f"poles = {poles}")).unit.lobe_spacing_deg == 360 / poles


@pytest.mark.parametrize(("text", "kind"), [("main", "opening"), ("main.target", "target"), ("mark", "mark")])
def test_a_second_breaker_may_count_from_what_the_manual_says(tmp_path: Path, text: str, kind: str) -> None:
    job = _job(tmp_path, WHOLE.replace('from = "main"', f'from = "{text}"'))
    reference = job.breakers[1].reference
    assert reference is not None
    assert reference.kind is ReferenceKind(kind)
    assert str(reference) == text


def test_only_the_lobes_that_the_user_limits_are_limited(tmp_path: Path) -> None:
    job = _job(tmp_path, UNIT + LIMITS + MAIN + "lobes = [0, 3]\n")
    assert [job.breakers[0].limits(lobe) is not None for lobe in range(4)] == [True, False, False, True]


# --- what is wrong is named -----------------------------------------------------------------------------------------


def _changed(old: str, new: str, text: str = WHOLE) -> str:
    assert text.count(old) >= 1
    return text.replace(old, new, 1)


WRONG = {
    "an unknown key": (_changed("poles = 4", "poles = 4\npols = 4"), "unit.pols", "not known"),
    "an unknown table": (WHOLE + "\n[extra]\na = 1\n", "extra", "not known"),
    "an unknown key of a breaker": (_changed("plus_deg = 2.5", "plus_deg = 2.5\ntol = 1"), "breaker[0].tol", "not known"),
    "no part number": (_changed('part_number = "DEMO-4"\n', ""), "unit.part_number", "missing"),
    "an empty part number": (_changed('"DEMO-4"', '"  "'), "unit.part_number", "at least 1 character"),
    "no serial number": (_changed('serial_number = "A-17"\n', ""), "unit.serial_number", "missing"),
    "no rotation": (_changed('rotation = "clockwise"\n', ""), "unit.rotation", "missing"),
    "an unknown rotation": (_changed('"clockwise"', '"left"'), "unit.rotation", "'clockwise' or 'counterclockwise'"),
    "no poles": (_changed("poles = 4\n", ""), "unit.poles", "missing"),
    "three poles": (_changed("poles = 4", "poles = 3"), "unit", "2, 4, 6 or 8"),
    "no poles at all": (_changed("poles = 4", "poles = 0"), "unit", "2, 4, 6 or 8"),
    "poles as a text": (_changed("poles = 4", 'poles = "4"'), "unit.poles", "valid integer"),
    "half a pole": (_changed("poles = 4", "poles = 4.5"), "unit.poles", "valid integer"),
    "true as a number": (_changed("opens_at_deg = 10", "opens_at_deg = true"), "breaker[0].opens_at_deg", "valid number"),
    "no word on the impulse coupling": (_changed('impulse_coupling = "none"\n', ""), "unit.impulse_coupling", "missing"),
    "a fitted impulse coupling": (_changed('impulse_coupling = "none"', 'impulse_coupling = "fitted"'), "unit", "Take it off"),
    "no breaker": (UNIT + LIMITS, "breaker", "missing"),
    "an empty list of breakers": ("breaker = []\n" + UNIT + LIMITS, "breaker", "at least 1"),
    "a target of 400 degrees": (_changed("opens_at_deg = 10", "opens_at_deg = 400"), "breaker[0].opens_at_deg", "0 to below 90"),
    "a target of a whole lobe spacing": (_changed("opens_at_deg = 10", "opens_at_deg = 90"), "breaker[0].opens_at_deg", "0 to below 90"),
    "a target before its neutral": (_changed("opens_at_deg = 10", "opens_at_deg = -1"), "breaker[0].opens_at_deg", "0 to below 90"),
    "a target that is no number": (_changed("opens_at_deg = 10", "opens_at_deg = nan"), "breaker[0].opens_at_deg", "finite number"),
    "an endless target": (_changed("opens_at_deg = 10", "opens_at_deg = inf"), "breaker[0].opens_at_deg", "finite number"),
    "an endless allowance": (_changed("plus_deg = 2.5", "plus_deg = inf"), "breaker[0].plus_deg", "finite number"),
    "a negative allowance": (_changed("minus_deg = 2", "minus_deg = -2"), "breaker[0].minus_deg", "greater than or equal to 0"),
    "a target without its allowance": (_changed("minus_deg = 2\n", ""), "breaker[0]", "minus_deg: missing"),
    "allowances without a target": (_changed("opens_at_deg = 10\n", ""), "breaker[0]", "opens_at_deg: missing"),
    "a target that nothing could meet": (
        _changed("plus_deg = 2.5", "plus_deg = 0", _changed("minus_deg = 2", "minus_deg = 0")), "breaker[0]", "both are 0"),
    "targets without the manual's reference": (UNIT + MAIN, "limits", "needed as soon as a target"),
    "a manual without revision": (_changed('revision = "3"\n', ""), "limits.revision", "missing"),
    "a manual without name": (_changed('reference = "Demonstration manual"\n', ""), "limits.reference", "missing"),
    "a target without what it counts from": (_changed('from = "neutral"\n', ""), "breaker[0]", "from: missing"),
    "a count from an unknown breaker": (_changed('from = "main"', 'from = "mian"'), "breaker[1].from", '"main.target"'),
    "a count from an unknown property": (_changed('from = "main"', 'from = "main.goal"'), "breaker[1].from", '"main.target"'),
    "a count from itself": (_changed('from = "neutral"', 'from = "main"'), "breaker[0].from", "itself"),
    "a count in a circle": (_changed('from = "neutral"', 'from = "second.target"'), "breaker[0].from", "circle (main → second → main)"),
    "a count from a target that is none": (
        UNIT + LIMITS + '[[breaker]]\nname = "main"\nchannel = 0\n' + _changed('"main"', '"main.target"', SECOND),
        "breaker[1].from", "no target"),
    "two breakers of one name": (_changed('name = "second"', 'name = "main"'), "breaker[1].name", "used twice"),
    "two breakers on one channel": (_changed("channel = 1", "channel = 0"), "breaker[1].channel", "used twice"),
    "a channel that no board has": (_changed("channel = 1", "channel = 8"), "breaker[1].channel", "less than or equal to 7"),
    "a negative channel": (_changed("channel = 1", "channel = -1"), "breaker[1].channel", "greater than or equal to 0"),
    "a name that means something else": (_changed('name = "second"', 'name = "neutral"'), "breaker[1]", "reserved"),
    "a name with a dot": (_changed('name = "second"', 'name = "a.b"'), "breaker[1].name", "pattern"),
    "a lobe that the cam has not": (UNIT + LIMITS + MAIN + "lobes = [0, 4]\n", "breaker[0].lobes", "0 to 3"),
    "a negative lobe": (UNIT + LIMITS + MAIN + "lobes = [-1]\n", "breaker[0].lobes", "0 to 3"),
    "offsets on a plain cam": (UNIT + LIMITS + MAIN + "offsets_deg = [0, 0.5]\n", "breaker[0].offsets_deg", "compensated"),
    "a compensated cam of an unknown number of lobes": (
        UNIT + 'cam = "compensated"\n' + LIMITS + MAIN, "unit", "cylinders: needed"),
    "several limited lobes of a compensated cam without offsets": (
        UNIT + GEARED + LIMITS + MAIN, "breaker[0].offsets_deg", "missing, but needed"),
    "too few offsets": (UNIT + GEARED + LIMITS + MAIN + "offsets_deg = [0, 0.5]\n", "breaker[0].offsets_deg", "5 figures"),
    "an offset beyond any cam": (
        UNIT + GEARED + LIMITS + MAIN + "offsets_deg = [0, 0, 23, 0, 0]\n", "breaker[0].offsets_deg", "-22.5 to 22.5"),
    "a lobe that the geared cam has not": (UNIT + GEARED + LIMITS + MAIN + "lobes = [5]\n", "breaker[0].lobes", "0 to 4"),
    "a negative capacitor": (UNIT + LIMITS + MAIN + "capacitor_uf = -1\n", "breaker[0].capacitor_uf", "greater than or equal to 0"),
    "a difference with an unknown breaker": (_changed('["main", "second"]', '["main", "other"]'), "difference[0].between", "'other'"),
    "a difference of a breaker with itself": (_changed('["main", "second"]', '["main", "main"]'), "difference[0].between", "two different"),
    "a difference of three": (_changed('["main", "second"]', '["main", "second", "main"]'), "difference[0].between", "at most 2"),
    "a difference of half a spacing": (_changed("deg = 0.5", "deg = 45"), "difference[0].deg", "±45"),
    "a difference without allowances": (
        _changed(DIFFERENCE, DIFFERENCE.replace("= 1\n", "= 0\n")), "difference[0]", "both 0"),
    "a difference without a manual": (
        UNIT + '[[breaker]]\nname = "main"\nchannel = 0\n[[breaker]]\nname = "second"\nchannel = 1\n' + DIFFERENCE,
        "limits", "needed as soon as a target"),
    "a table where a text belongs": (_changed('part_number = "DEMO-4"', "part_number = {a = 1}"), "unit.part_number", "valid string"),
    "a text where a table belongs": ('unit = "x"\n' + MAIN, "unit", ""),
    "an endless whole number": (_changed("poles = 4", "poles = 0x" + "f" * 5000), "unit.poles", "less than or equal to"),
    "an endless figure": (_changed("opens_at_deg = 10", "opens_at_deg = 0x" + "f" * 5000), "breaker[0].opens_at_deg", "valid number"),
}  # fmt: skip


@pytest.mark.parametrize("what", WRONG)
def test_a_mistake_is_named_with_its_key_and_what_was_expected(tmp_path: Path, what: str) -> None:
    content, key, expected = WRONG[what]
    text = _refusal(tmp_path, content)
    assert key in text.split(": ")
    assert expected in text


def test_further_mistakes_are_counted(tmp_path: Path) -> None:
    assert "(1 more)" in _refusal(tmp_path, _changed("poles = 4\n", "").replace('revision = "3"\n', ""))


UNREADABLE: dict[str, tuple[str | bytes, str]] = {
    "no TOML": ("[unit\n", "not valid TOML"),
    "a key twice": (UNIT + "poles = 2\n", "not valid TOML"),
    "not UTF-8": (UNIT.encode("utf-8") + b'x = "\xff\xfe"\n', "UTF-8"),
    "rubbish": (bytes(range(256)), "UTF-8"),
    "a zero byte": (b"\0", "not valid TOML"),
    "nothing": ("", "unit: missing"),
    "too much": ("#" * 1_000_001, "more than 1000000 bytes"),
    "deep nesting": ("x = " + "[" * 50_000, "nested too deeply"),
    "deep nesting of tables": ("x = " + "{a=" * 50_000, "nested too deeply"),
    "a number of 5000 digits": ("x = " + "1" * 5000, "not valid TOML"),
}


@pytest.mark.parametrize("what", UNREADABLE)
def test_a_file_that_cannot_be_a_job_file_is_refused(tmp_path: Path, what: str) -> None:
    content, expected = UNREADABLE[what]
    assert expected in _refusal(tmp_path, content)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    path = tmp_path / "none.toml"
    with pytest.raises(JobFileError, match="No such file") as refusal:
        job_file.load(path)
    assert refusal.value.text.startswith(f"{path}: ")


def test_a_folder_is_no_job_file(tmp_path: Path) -> None:
    with pytest.raises(JobFileError, match="directory"):
        job_file.load(tmp_path)


def test_a_file_that_may_not_be_read_is_named(tmp_path: Path, mocker: MockerFixture) -> None:
    path = _write(tmp_path, WHOLE)
    # An operating system that refuses; to the superuser a real one refuses nothing.
    mocker.patch("pathlib.Path.open", side_effect=PermissionError(errno.EACCES, "Permission denied"))
    with pytest.raises(JobFileError, match="denied") as refusal:
        job_file.load(path)
    assert refusal.value.text.startswith(f"{path}: ")


@pytest.mark.parametrize("steering", ["\\u001b[2J", "\\u0007", "\\n", "\\r", "\\u009b31m", "\\u202e", "\\u0000"])
def test_nothing_in_a_file_can_steer_the_terminal(tmp_path: Path, steering: str) -> None:
    # _refusal looks at the whole text.
    assert "not known" in _refusal(tmp_path, f'"a{steering}b" = 1\n' + WHOLE)
    _refusal(tmp_path, WHOLE.replace('from = "main"', f'from = "ma{steering}in"'))
    _refusal(tmp_path, WHOLE.replace('rotation = "clockwise"', f'rotation = "ma{steering}in"'))
    _refusal(tmp_path, WHOLE.replace('name = "second"', f'name = "ma{steering}in"'))


def test_nothing_in_a_files_name_can_steer_the_terminal(tmp_path: Path) -> None:
    for content in ("[unit", "", None):
        path = tmp_path / "a\x1b[2Jb.toml"
        path.unlink(missing_ok=True)
        if content is not None:
            path.write_text(content, "utf-8")
        with pytest.raises(JobFileError) as refusal:
            job_file.load(path)
        assert refusal.value.text.isprintable()


# --- whatever it holds, only JobFileError -----------------------------------------------------------------------------

MODELS = (job_file.JobFile, job_file.UnitTable, job_file.LimitsTable, job_file.BreakerTable, job_file.DifferenceTable)
KEYS = st.sampled_from([f.alias or name for m in MODELS for name, f in m.model_fields.items()]) | st.text(max_size=5)
LEAVES = (
    st.integers()
    | st.floats()
    | st.booleans()
    | st.text(max_size=8)
    | st.sampled_from(["clockwise", "plain", "compensated", "none", "neutral", "mark", "main", "main.target", 4, 10, 2])
    | st.datetimes()
)
TREES = st.recursive(
    LEAVES, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=6), max_leaves=25
)


def _job_or_refusal(tables: object) -> Job | str:
    try:
        return job_file.to_job(job_file.parse(tables, "demo.toml"))
    except JobFileError as error:
        return error.text


@given(st.dictionaries(KEYS, TREES, max_size=6))
@settings(max_examples=150)
def test_any_tables_give_a_job_or_a_job_file_error(tables: dict[str, object]) -> None:
    job = _job_or_refusal(tables)
    assert isinstance(job, Job) or job.isprintable()


@st.composite
def _nearly_right(draw: st.DrawFn) -> dict[str, object]:
    """A right file in which a few leaves are replaced."""
    tables = tomllib.loads(WHOLE)
    for _ in range(draw(st.integers(1, 3))):
        node: object = tables
        while isinstance(node, (dict, list)) and node:
            place = draw(st.sampled_from(list(node) if isinstance(node, dict) else list(range(len(node)))))
            inner = node[place]
            if not isinstance(inner, (dict, list)) or not inner or draw(st.integers(0, 4)) == 0:
                node[place] = draw(TREES)
                break
            node = inner
    return tables


@given(_nearly_right())
@settings(max_examples=300)
def test_a_right_file_with_a_few_values_changed_gives_a_job_or_a_job_file_error(tables: dict[str, object]) -> None:
    job = _job_or_refusal(tables)
    if isinstance(job, str):
        assert job.isprintable()
    else:
        assert job.unit.poles in (2, 4, 6, 8)
        assert all(b.tolerance is None or b.tolerance.width_deg > 0 for b in job.breakers)
        assert job.limits is not None or all(b.tolerance is None for b in job.breakers)


@given(st.binary(max_size=200) | st.text(alphabet="[]{}=.\"'#\n abx01-+_eT:\\", max_size=80).map(str.encode))
@settings(max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_bytes_give_a_job_file_error(tmp_path: Path, content: bytes) -> None:
    _refusal(tmp_path, content)
    _refusal(tmp_path, UNIT.encode() + content)


def test_a_serial_number_becomes_a_harmless_part_of_a_file_name() -> None:
    assert job_file.file_stem("A-17") == "A-17"
    assert job_file.file_stem("../../etc/x") == "etc-x"
    assert job_file.file_stem("\x1b/\0") == "unit"
    assert len(job_file.file_stem("9" * 500)) == 40
