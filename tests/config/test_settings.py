"""The config file: every problem at once, each with its line, key, value and what would be right."""

import os
import tempfile
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.config.reader import SettingsError, load, settings_from
from monitor.config.toml_lines import Where, spans, toml_text
from monitor.core.vessel.geometry import format_geometry, parse_geometry, problem_with, table
from monitor.host.secret import SecretError, addresses, exposed, secret
from monitor.settings import JarSettings
from monitor.values import Straight, Tapered, VolumeTable

JAR = '[[jar]]\nname = "rye"\n'


def problems(tmp_path: Path, text: str | bytes) -> list[str]:
    """What `load` says about this text, without the folder."""
    file = tmp_path / "kitchen.toml"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(SettingsError) as caught:
        load(file)
    assert str(caught.value) == "\n".join(caught.value.problems)
    return [line.removeprefix(f"{tmp_path}/") for line in caught.value.problems]


def loads(tmp_path: Path, text: str | bytes) -> object:
    file = tmp_path / "kitchen.toml"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return load(file)


@pytest.mark.fault("C1")
def test_all_problems_are_told_at_once_each_with_its_line(tmp_path: Path) -> None:
    text = """\
# a kitchen
[[jar]]
name = "rye"
empty_mm = "12"
rim_mm = true
emtpy_mm = 152

[[serial]]
baud = 9600.5

[notices]
to_env = "MAIL"
quiet_exept = ["a"]

[notice]
[store]
path = 3
"""
    assert [line.split("; [[")[0] for line in problems(tmp_path, text)] == [
        'kitchen.toml, line 4: [[jar]] rye: empty_mm = "12": must be a number, without quotes',
        "kitchen.toml, line 5: [[jar]] rye: rim_mm = true: must be a number, without quotes",
        "kitchen.toml, line 6: [[jar]] rye: emtpy_mm = 152: there is no such key; did you mean empty_mm? [[jar]] has "
        "name, empty_mm, geometry, rim_mm, sensor, venting, flour, silent_after_min, richest_ratio, leanest_ratio, "
        "cycle_h, group",
        "kitchen.toml, line 8: [[serial]] 1: port: is missing",
        "kitchen.toml, line 9: [[serial]] 1: baud = 9600.5: must be a whole number, without quotes",
        'kitchen.toml, line 12: [notices]: to_env = "MAIL": must be a list of texts: ["...", "..."]',
        'kitchen.toml, line 13: [notices]: quiet_exept = ["a"]: there is no such key; did you mean quiet_except? '
        "[notices] has to_env, to_file, console, quiet_from, quiet_to, quiet_except, repeat_h, leave_out, "
        "peak_ahead_h, daily_summary, too_cold_c, too_hot_c",
        "kitchen.toml, line 15: notice: there is no such table; did you mean notices? [[jar]], [[group]], [[place]], "
        "[[serial]], [[mqtt]], [store], [notices], [influx], [display], [page]",
        'kitchen.toml, line 17: [store]: path = 3: must be text in "quotes"',
    ]


@pytest.mark.fault("C3")
@pytest.mark.parametrize(
    ("text", "said"),
    [
        (JAR + "cycle_h = 0", "line 3: [[jar]] rye: cycle_h = 0: must be 2 to 168 h"),
        (JAR + "cycle_h = inf", "cycle_h = inf: must be a number"),
        (JAR + "cycle_h = nan", "cycle_h = nan: must be a number"),
        (JAR + 'sensor = "optic"', 'did you mean optical? It must be "optical" or "ultrasonic"'),
        (JAR + "empty_mm = 15.2", "empty_mm = 15.2: must be 20 to 2000 mm"),  # in cm
        ('[[jar]]\nname = "my jar"', 'name = "my jar": must be 1 to 40 of'),
        ('[[jar]]\nname = "a/b"', "must be 1 to 40 of"),
        ("[[jar]]\nempty_mm = 150", "line 1: [[jar]] 1: name: is missing"),
        ("", "there is no jar: add a [[jar]] table"),
        ("[jar]\nname = 'rye'", "line 1: [[jar]]: write its header with double brackets"),
        (JAR + "[[store]]\npath = 'x'", "[store]: must be one table: write its header as [store]"),
        (JAR + "empty_mm = 150\nrim_mm = 160", "line 4: [[jar]] rye: rim_mm = 160: the rim cannot be above the sensor"),
        (JAR + 'geometry = {shape = "taperd"}', "did you mean tapered?"),
        (JAR + 'geometry = "straight 85"', "It must be one of {shape"),
        (JAR + 'geometry = {shape = "straight", diameter = 85}', "did you mean diameter_mm?"),
        (JAR + 'geometry = {shape = "straight", diameter_mm = "85"}', "diameter_mm must be a number"),
        (JAR + 'geometry = {shape = "straight", diameter_mm = 8.5}', "must be 20 to 600 mm"),
        (JAR + 'geometry = {shape = "tapered", height_mm = 100}', "needs bottom_diameter_mm and top_diameter_mm too"),
        (JAR + 'geometry = {shape = "table", points = [[40, 200], [30, 300]]}', "points must rise in both columns"),
        (JAR + 'geometry = {shape = "table", points = [[40, 0.2]]}', "2.52 mm wide; points are [height"),  # in litres
        (JAR + 'geometry = {shape = "table", points = [40, 200]}', "points must be a list of [height in mm, volume"),
        (JAR + '[[serial]]\nport = "/dev/x"\njar = "ry"', 'jar = "ry": there is no [[jar]] of that name; there is rye'),
        (JAR + '[[mqtt]]\nhost = "mqtt://x"', "must be a host name or an address alone"),
        (JAR + '[[mqtt]]\nhost = "x"\nport = 0', "port = 0: must be 1 to 65535"),
        (JAR + '[[mqtt]]\nhost = "x"\nport = true', "port = true: must be a whole number"),
        (JAR + '[[mqtt]]\nhost = "x"\ntopic = "a/#"', "without + and #"),
        (JAR + '[[mqtt]]\nhost = "x"\ntopic = "a/x{jar}"', "may hold {jar} as one whole level"),
        (JAR + '[[mqtt]]\nhost = "x"\ntopic = "a/{name}"', "and no other braces"),
        (JAR + '[[mqtt]]\nhost = "x"\nstatus_topic = "a/{jar}"', "is the daemon's own: without {jar}"),
        (JAR + '[[mqtt]]\nhost = "x"\nstate_topic = "jartide/{jar}/reading"', "must differ from topic"),
        (JAR + '[[mqtt]]\nhost = "x"\nclient_id = "' + 24 * "a" + '"', "must be 1 to 23 bytes"),
        (JAR + '[[mqtt]]\nhost = "x"\nclient_key_file = "k"', "needs client_cert_file beside it"),
        (JAR + '[[mqtt]]\nhost = "x"\ntls = false\nca_file = "k"', "is of no use with tls = false"),
        (JAR + '[[mqtt]]\nhost = "x"\npassword_file = "k"', "needs user beside it"),
        (JAR + '[[mqtt]]\nhost = "x"\nuser = "u"\npassword_file = "k"\npassword_env = "K"', "not both"),
        (JAR + '[notices]\nquiet_from = "22:30"', 'quiet_from = "22:30": needs quiet_to beside it'),
        (JAR + '[notices]\nquiet_from = "22:30"\nquiet_to = "22:30"', "line 5: [notices]: quiet_to"),
        (JAR + '[notices]\ndaily_summary = "24:00"', 'must be a local time of day, "00:00" to "23:59"'),
        (JAR + '[notices]\nleave_out = ["to_hot"]', "there is no kind 'to_hot'; did you mean too_hot? There are"),
        (JAR + "[notices]\ntoo_cold_c = 30", None),
        (JAR + "[notices]\ntoo_cold_c = 30\ntoo_hot_c = 28", "must be below too_hot_c (28)"),
        (JAR + '[influx]\nurl = "localhost:8086"', "must be http://host:port"),
        (JAR + '[display]\ntime_zone = "Europe/Wien"', "must be a zone name such as Europe/Vienna"),
    ],
)
def test_an_impossible_value_says_what_is_allowed(tmp_path: Path, text: str, said: str | None) -> None:
    if said is None:
        loads(tmp_path, text)
        return
    assert [line for line in problems(tmp_path, text) if said in line]


@pytest.mark.fault("C2")
def test_two_of_one_kind_that_clash_are_both_named(tmp_path: Path) -> None:
    text = (
        JAR
        + JAR
        + '[[serial]]\nport = "/dev/a"\n[[serial]]\nport = "/dev/b"\n[[serial]]\nport = "/dev/a"\n'
        + '[[mqtt]]\nhost = "h"\nclient_id = "x"\n'
        + '[[mqtt]]\nhost = "h"\nclient_id = "x"\ntopic = "o/{jar}"\nuser = "u"\n'
        + '[[mqtt]]\nhost = "h"\n'
    )
    assert problems(tmp_path, text) == [
        'kitchen.toml, line 4: [[jar]] rye: name = "rye": two jars with one name (the other is number 1 of 2)',
        'kitchen.toml, line 10: [[serial]] /dev/a: port = "/dev/a": two [[serial]] on one port '
        "(the other is number 1 of 3)",
        'kitchen.toml, line 16: [[mqtt]] h: client_id = "x": two [[mqtt]] would disconnect each other from this broker '
        "(the other is number 1 of 3): give each its own, or the same login and TLS keys",
        "kitchen.toml, line 19: [[mqtt]] h: topic: two [[mqtt]] would take in the same messages of this broker twice "
        "(the other is number 1 of 3)",
    ]


@pytest.mark.fault("C5")
@pytest.mark.parametrize(
    "text",
    [
        JAR + '[[mqtt]]\nhost = "x"\npassword = "hunter2"',
        JAR + '[[mqtt]]\nhost = "x"\nuser = "u"\npassword_env = "hunter2"',
        JAR + '[[mqtt]]\nhost = "u:hunter2@x"',
        JAR + '[notices]\nto_env = ["mailtos://u:hunter2@x"]',
        JAR + '[notices]\nto_env = ["ntfys://hunter2"]',
        JAR + '[notices]\nto = ["mailtos://u:hunter2@x"]',
        JAR + '[influx]\nurl = "http://x"\ntoken = "hunter2"',
        JAR + '[influx]\nurl = "http://u:hunter2@x"',
    ],
)
def test_a_secret_in_the_file_is_refused_and_not_repeated(tmp_path: Path, text: str) -> None:
    told = problems(tmp_path, text)
    assert told
    assert "hunter2" not in "\n".join(told)


@pytest.mark.fault("C1")
def test_marks_line_ends_and_tabs_of_other_editors_are_fine(tmp_path: Path) -> None:
    text = b'\xef\xbb\xbf[[jar]]\r\nname\t=\t"rye"\r\n\tempty_mm = 150\r\n'
    assert loads(tmp_path, text).jars == (JarSettings(name="rye", empty_mm=150.0),)  # type: ignore[attr-defined]
    assert "line 3:" in problems(tmp_path, text.replace(b"empty_mm", b"emtpy_mm"))[0]


@pytest.mark.fault("C1")
def test_what_is_not_toml_or_not_text_names_its_line(tmp_path: Path) -> None:
    assert problems(tmp_path, JAR + "empty_mm = \n") == [
        "kitchen.toml, line 3, column 12: is not TOML: Invalid value",
    ]
    assert problems(tmp_path, JAR + "empty_mm = 1\nempty_mm = 2\n")[0].startswith("kitchen.toml, line 4, column ")
    assert problems(tmp_path, JAR + 'flour = "rye')[0].startswith("kitchen.toml, line 3")
    assert problems(tmp_path, JAR.encode() + b'flour = "\xe4"') == [
        "kitchen.toml, line 3: is not UTF-8 text: save it as UTF-8"
    ]
    with pytest.raises(SettingsError, match="there is no such file"):
        load(tmp_path / "none.toml")
    with pytest.raises(SettingsError, match="cannot be read: Is a directory"):
        load(tmp_path)


def test_paths_count_from_the_folder_of_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "etc").mkdir()
    file = tmp_path / "etc" / "kitchen.toml"
    file.write_text(JAR + '[[mqtt]]\nhost = "x"\nca_file = "ca.pem"\n[notices]\nto_file = "~/to"\n')
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("HOME", "/home/baker")
    settings = load(Path("etc/kitchen.toml"))
    assert settings.store.path == tmp_path / "etc" / "jartide.db"
    assert settings.mqtt[0].ca_file == tmp_path / "etc" / "ca.pem"
    assert settings.notices.to_file == Path("/home/baker/to")


# --- lines in a TOML text


def test_spans_follow_strings_comments_and_brackets() -> None:
    text = '''\
top = 1  # [not.a.header]
[a]
x = """
[b]
y = 1
"""
z = [
  [1, 2],   # ] }
  [3, "]"],
]
"quoted key".w = 'it''s'

[[jar]]
k = 1
[jar.geometry]
shape = "straight"
[[jar]]
 k = {a = [1,
 2]}
'''.replace("it''s", "its")
    assert tomllib.loads(text)["jar"][1]["k"]["a"] == [1, 2]
    found = {where: (span.first, span.last) for where, span in spans(text).items()}
    assert found == {
        ("top",): (1, 1),
        ("a",): (2, 12),
        ("a", "x"): (3, 6),
        ("a", "z"): (7, 10),
        ("a", "quoted key", "w"): (11, 11),
        ("jar", 0): (13, 14),
        ("jar", 0, "k"): (14, 14),
        ("jar", 0, "geometry"): (15, 16),
        ("jar", 0, "geometry", "shape"): (16, 16),
        ("jar", 1): (17, 20),
        ("jar", 1, "k"): (18, 19),
    }


PLAIN = st.one_of(
    st.booleans(), st.integers(-(2**60), 2**60), st.floats(allow_nan=False, allow_infinity=False), st.text(max_size=9)
)
VALUES = st.recursive(
    PLAIN, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from("abc"), inner), max_leaves=6
)


@given(
    st.lists(st.tuples(st.sampled_from(["jar", "mqtt"]), st.dictionaries(st.sampled_from("klmn"), VALUES)), max_size=5)
)
def test_every_key_that_tomllib_reads_is_found_on_its_line(tables: list[tuple[str, dict[str, object]]]) -> None:
    lines, expected, counts = [], {}, {"jar": -1, "mqtt": -1}
    for name, keys in tables:
        counts[name] += 1
        lines.append(f"[[{name}]]")
        for key, value in keys.items():
            lines.append(f"{key} = {toml_text(value)}")
            expected[(name, counts[name], key)] = len(lines)
    text = "\n".join(lines)
    assert all(tomllib.loads(text)[where[0]][where[1]][where[2]] is not None for where in expected)
    found = spans(text)
    assert {where: found[where].first for where in expected} == expected
    assert len(found) == len(expected) + len(tables)


@given(VALUES)
def test_toml_text_reads_back_as_the_same_value(value: object) -> None:
    assert tomllib.loads(f"x = {toml_text(value)}")["x"] == value


# --- whatever stands in a config, the answer is settings or sentences

EVERYTHING = (Path(__file__).resolve().parents[2] / "configs" / "everything.toml").read_text()


def leaves(raw: Any, where: Where = ()) -> Iterator[Where]:
    inner = raw.items() if isinstance(raw, dict) else enumerate(raw) if isinstance(raw, list) else ()
    for step, value in inner:
        yield (*where, step)
        yield from leaves(value, (*where, step))


@pytest.mark.fault("F2")
@given(st.sampled_from(list(leaves(tomllib.loads(EVERYTHING)))), VALUES)
def test_any_one_value_replaced_by_anything_is_taken_or_told(where: Where, value: object) -> None:
    raw: Any = tomllib.loads(EVERYTHING)
    holder = raw
    for step in where[:-1]:
        holder = holder[step]
    holder[where[-1]] = value
    _, told = settings_from(raw)
    assert all(isinstance(what, str) and "\n" not in what for _, what in told)


@pytest.mark.fault("F2")
@given(
    st.integers(0, len(EVERYTHING)),
    st.integers(0, 30),
    st.text(alphabet="[]{}=\"'\\#\n\r\t.,ax1\x00\ud800é", max_size=8),
)
def test_any_damage_to_the_file_is_told_by_line(at: int, gone: int, put: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "kitchen.toml"
        file.write_bytes((EVERYTHING[:at] + put + EVERYTHING[at + gone :]).encode("utf-8", "surrogatepass"))
        told: tuple[str, ...] = ()
        try:
            load(file)
        except SettingsError as error:
            told = error.problems
        assert all(line.startswith(f"{file}, line ") or "there is no jar" in line for line in told)


# --- geometry as text

SIZES = st.floats(20, 600)
GEOMETRIES = st.one_of(
    st.builds(Straight, diameter_mm=st.none() | SIZES),
    st.builds(Tapered, bottom_diameter_mm=SIZES, top_diameter_mm=SIZES, height_mm=st.floats(20, 1000)),
    st.lists(st.tuples(st.floats(21, 60), st.floats(50, 200)), min_size=1, max_size=8).map(
        lambda steps: table(
            [(sum(s[0] for s in steps[: n + 1]), sum(s[1] for s in steps[: n + 1])) for n in range(len(steps))]
        )
    ),
)


@given(GEOMETRIES)
def test_geometry_text_reads_back_as_the_same_geometry(geometry: Straight | Tapered | VolumeTable) -> None:
    assert problem_with(geometry) is None
    assert parse_geometry(format_geometry(geometry)) == geometry


def test_geometry_text_is_what_the_run_file_header_holds() -> None:
    assert format_geometry(Straight()) == "straight"
    assert format_geometry(Straight(diameter_mm=85.0)) == "straight 85"
    assert format_geometry(Tapered(bottom_diameter_mm=70, top_diameter_mm=90.5, height_mm=140)) == "tapered 70 90.5 140"
    assert format_geometry(VolumeTable(points=((40, 200), (80, 420)))) == "table 40:200 80:420"
    assert parse_geometry("table 0:0 40:200") == VolumeTable(points=((40.0, 200.0),))


@pytest.mark.parametrize("text", ["", "round 85", "straight 8,5", "straight 1 2", "tapered 70 90", "table", "table 40"])
def test_geometry_text_that_is_none_says_what_would_be(text: str) -> None:
    with pytest.raises(ValueError, match="write `straight`"):
        parse_geometry(text)


@pytest.mark.fault("C3")
@pytest.mark.parametrize("text", ["straight nan", "straight 5", "tapered 70 inf 140", "table 40:nan", "table 40:4e9"])
def test_a_geometry_that_no_jar_has_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"must|make the jar"):
        parse_geometry(text)


# --- secrets


def test_secrets_come_from_a_variable_or_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "password"
    file.write_text("a word\n")
    file.chmod(0o600)
    monkeypatch.setenv("WORD", "another")
    assert secret(env=None, file=file, what="x") == "a word"
    assert secret(env="WORD", file=None, what="x") == "another"
    assert secret(env=None, file=None, what="x") is None


@pytest.mark.fault("C4")
def test_a_missing_secret_says_which_and_why(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("WORD", raising=False)
    with pytest.raises(SecretError, match="the password: the environment variable WORD is not set"):
        secret(env="WORD", file=None, what="the password")
    with pytest.raises(SecretError, match="there is no file"):
        secret(env=None, file=tmp_path / "none", what="the password")
    (tmp_path / "empty").touch()
    with pytest.raises(SecretError, match="is empty"):
        secret(env=None, file=tmp_path / "empty", what="the password")
    with pytest.raises(SecretError, match="Is a directory"):
        secret(env=None, file=tmp_path, what="the password")


@pytest.mark.fault("C4")
def test_an_unreadable_secret_file_says_so() -> None:
    with tempfile.TemporaryDirectory() as name:  # not under pytest's own folder, which is closed to others
        Path(name).chmod(0o755)
        file = Path(name) / "password"
        file.write_text("a word")
        file.chmod(0)
        root = os.geteuid() == 0  # who may read every file: be nobody meanwhile
        if root:
            os.seteuid(65534)
        try:
            assert file.exists()
            with pytest.raises(SecretError, match=r"cannot read .*password: Permission denied"):
                secret(env=None, file=file, what="the password")
        finally:
            if root:
                os.seteuid(0)


@pytest.mark.fault("C4")
def test_a_world_readable_secret_is_warned_about_without_repeating_it(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    file = tmp_path / "password"
    file.write_text("hunter2")
    file.chmod(0o644)
    assert secret(env=None, file=file, what="x") == "hunter2"
    assert "chmod 600" in caplog.text
    assert "hunter2" not in caplog.text
    file.chmod(0o640)
    assert exposed(file) is None
    assert exposed(tmp_path / "none") is None


def test_addresses_are_gathered_from_variables_and_lines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "to"
    file.write_text("# mine\n\njson://127.0.0.1:1/a\r\n  json://127.0.0.1:1/b\n")
    file.chmod(0o600)
    monkeypatch.setenv("MAIL", "json://127.0.0.1:1/c")
    assert addresses(envs=("MAIL",), file=file) == tuple(f"json://127.0.0.1:1/{name}" for name in "cab")
    assert addresses(envs=(), file=None) == ()


@pytest.mark.fault("W5")
@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.5", "kitchen.lan"])
def test_a_page_for_the_network_needs_a_password_or_a_token(tmp_path: Path, host: str) -> None:
    path = tmp_path / "kitchen.toml"
    path.write_text(f'[[jar]]\nname = "rye"\n[page]\nhost = "{host}"\n')
    with pytest.raises(SettingsError, match="set password_file or password_env too"):
        load(path)
    for way in ('password_env = "WORD"', 'token_file = "word"'):
        path.write_text(f'[[jar]]\nname = "rye"\n[page]\nhost = "{host}"\n{way}\n')
        assert load(path).page.host == host


@pytest.mark.parametrize("host", ["127.0.0.1", "::1", "localhost", "127.3.2.1"])
def test_a_page_for_this_machine_needs_none(tmp_path: Path, host: str) -> None:
    path = tmp_path / "kitchen.toml"
    path.write_text(f'[[jar]]\nname = "rye"\n[page]\nhost = "{host}"\n')
    assert load(path).page.host == host
