"""The configuration file: every problem at once, each with file, line, key, found and allowed."""

from __future__ import annotations

import json
import pickle
from pathlib import Path

import platformdirs
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from config.load import InvalidConfig, default_text, find_config, load_settings, parse_settings
from config.settings import FOLDER_NAMES, Settings, Work


def problems(text: str) -> list[str]:
    with pytest.raises(InvalidConfig) as caught:
        parse_settings(text, "x.yaml")
    return caught.value.problems


def test_the_documented_defaults_are_the_defaults():
    assert parse_settings(default_text(), "default.yaml") == Settings()


def test_default_yaml_documents_every_key():
    """Each key of the model stands in default.yaml, in use or as a commented example."""
    text = default_text()
    for section, field in Settings.model_fields.items():
        assert f"\n{section}:" in f"\n{text}"
        for key in field.annotation.model_fields:
            assert f"  {key}:" in text or f"  # {key}:" in text, f"{section}.{key}"


def test_all_problems_at_once_with_lines():
    text = (
        "folders: 3\n"
        "arrival:\n"
        "  settle_secs: 2\n"
        "  settle_seconds: no\n"
        "output:\n"
        "  sample_rate: 22050\n"
        "  lead_in_bars: 9\n"
        "colour: red\n"
    )

    found = problems(text)

    assert [line.split(": ")[0] for line in found] == [f"x.yaml:{n}" for n in (1, 3, 4, 6, 7, 8)]
    assert "did you mean 'settle_seconds'?" in found[1]
    assert found[2] == "x.yaml:4: arrival.settle_seconds: found False, allowed: a number"
    assert "found 22050, allowed: 'keep', 44100, 48000, 88200 or 96000" in found[3]
    assert "found 9, allowed: less than or equal to 4" in found[4]
    assert "unknown key" in found[5]
    assert "folders, arrival" in found[5]


def test_a_key_written_twice_is_an_error():
    """The YAML library keeps the last of two equal keys silently (yaml/pyyaml issue 165)."""
    assert problems("work:\n  nice: 1\n  nice: 2\n") == ["x.yaml:3: work.nice: written twice; keep one"]


@pytest.mark.parametrize(
    ("text", "fragment"),
    [
        ("a: [", "x.yaml:1: not valid YAML"),
        ("- 1", "x.yaml:1: found [1]"),
        ("digest:\n  at: 18:00\n", "digest.at: found 1080"),  # YAML 1.1 reads 18:00 as base 60
        ("work:\n  quiet_hours: ['10-12']\n", "10:00-18:30"),
        ("analysis:\n  tempo_range: [100, 120]\n", "at least an octave"),
        ("output:\n  name_pattern: '../{stem}'\n", "no slash"),
        ("output:\n  name_pattern: 'x'\n", "{stem}"),
        ("output: &a\n  apply_gain: true\nwork: *a\n", "aliases"),
        ("output:\n  apply_gain: 1\n", "true or false"),
    ],
)
def test_each_wrong_file_says_what_to_do(text, fragment):
    assert any(fragment in line for line in problems(text))


def test_outputs_inside_the_watched_folder_are_refused():
    (only,) = problems("folders:\n  incoming: /srv/beats\n  ready: /srv/beats/ready\n")

    assert "folders.ready lies inside folders.incoming" in only


def test_all_nested_folders_and_all_other_mistakes_are_told_at_once():
    found = problems(
        "folders:\n  incoming: /srv/in\n  ready: /srv/in/ready\n  rejected: /srv/in/no\n  state: /srv/in\n"
        "work:\n  nice: 99\n"
    )

    assert [line.split(": ")[0] for line in found] == ["x.yaml:3", "x.yaml:4", "x.yaml:5", "x.yaml:7"]
    assert all(
        f"folders.{name} lies inside" in line for name, line in zip(FOLDER_NAMES[1:], found, strict=False)
    )


def test_nested_folders_are_told_beside_one_that_is_no_text():
    found = problems("folders:\n  incoming: /srv/in\n  ready: /srv/in/ready\n  rejected: [a]\n")

    assert [line.split(": ")[0] for line in found] == ["x.yaml:3", "x.yaml:4"]


def test_outputs_in_one_folder_and_around_incoming():
    (one,) = problems("folders:\n  incoming: /srv/in\n  ready: /srv/out\n  rejected: /srv/out\n")
    assert "are the same folder" in one
    (other,) = problems("folders:\n  incoming: /srv/out/in\n  ready: /srv/out\n  rejected: /srv/no\n")
    assert other.startswith("x.yaml:2: folders.incoming lies inside folders.ready")


def test_relative_folders_count_from_the_file(tmp_path):
    path = tmp_path / "beatintake.yaml"
    path.write_text("folders:\n  incoming: in\n", encoding="utf-8")

    assert load_settings(path).folders.incoming == tmp_path / "in"


def test_search_order(tmp_path, monkeypatch):
    here, named = tmp_path / "beatintake.yaml", tmp_path / "named.yaml"
    for path in (here, named):
        path.write_text("{}", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("BEATINTAKE_CONFIG", raising=False)
    assert find_config(None) == here

    monkeypatch.setenv("BEATINTAKE_CONFIG", str(named))
    assert find_config(None) == named
    assert find_config(here) == here

    with pytest.raises(InvalidConfig, match="beatintake init"):
        find_config(tmp_path / "missing.yaml")


def test_text_that_is_not_utf8(tmp_path):
    path = tmp_path / "c.yaml"
    path.write_bytes(b"folders:\n  incoming: caf\xe9\n")

    with pytest.raises(InvalidConfig, match="UTF-8"):
        load_settings(path)


LEAVES = st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=8)
TREES = st.recursive(
    LEAVES,
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["folders", "work", "nice", "output", "bit_depth", "zzz"]), inner, max_size=3
        )
    ),
    max_leaves=8,
)


@given(TREES)
def test_any_yaml_gives_settings_or_explained_problems(tree):
    text = yaml.safe_dump(tree, allow_unicode=True)
    found: list[str] | Settings
    try:
        found = parse_settings(text, "x.yaml")
    except InvalidConfig as error:
        found = error.problems

    assert isinstance(found, Settings) or (found and all(line.startswith("x.yaml") for line in found))


def test_a_config_path_that_is_a_folder(tmp_path):
    with pytest.raises(InvalidConfig, match="no such file"):
        find_config(Path(tmp_path))


def test_the_studios_track_layout():
    text = """
output:
  session_files: [dawproject, aaf]
  session_tracks:
    - {name: Record, group: Takes, colour: "#C04040"}
    - {name: Double, count: 2, channels: 2}
"""
    found = parse_settings(text, "x.yaml").output

    assert found.session_files == ("dawproject", "aaf")
    assert [(t.name, t.group, t.colour, t.count, t.channels) for t in found.session_tracks] == [
        ("Record", "Takes", "#c04040", 1, 1),
        ("Double", None, None, 2, 2),
    ]


@pytest.mark.parametrize(
    ("track", "fragment"),
    [
        ("{name: ''}", "at most 60 characters"),
        ("{name: x, colour: red}", "#c08040"),
        ("{name: x, count: 65}", "count"),
        ("{name: x, channels: 3}", "channels"),
        ("{name: x, color: '#000000'}", "colour"),
        (
            "{name: x, count: 64}, {name: y, count: 64}, {name: z, count: 64}, {name: w, count: 64}",
            "200 tracks",
        ),
    ],
)
def test_a_wrong_track_says_what_is_allowed(track, fragment):
    assert any(fragment in line for line in problems(f"output:\n  session_tracks: [{track}]\n"))


def test_the_commented_example_of_the_default_is_a_layout():
    """What stands there as a comment is read when the comment marks are taken away."""
    lines = default_text().splitlines()
    at = next(k for k, line in enumerate(lines) if line.startswith("  # session_tracks:"))
    example = [line.replace("  # ", "  ", 1) for line in lines[at:] if line.startswith("  # ")]
    found = parse_settings("output:\n" + "\n".join(example[:8]), "x.yaml").output.session_tracks

    assert [track.name for track in found][:2] == ["Talkback", "Record"]
    assert len(found) == 7


def test_a_configuration_of_before_session_files_stays_valid():
    found = parse_settings("output:\n  lead_in_bars: 1\n", "x.yaml").output

    assert found.session_files == ("dawproject",)
    assert found.session_tracks == ()


@pytest.mark.parametrize("name", ["studio.lan:80", "a b", "-x", "", "1.2.3", "http://studio", "x" * 64, "*"])
def test_names_to_serve_under_are_well_formed(name):
    """RFC 1123, section 2.1: letters, digits, hyphens inside; labels up to 63; the last part no number."""
    assert "a host name such as studio.lan" in problems(f"serve:\n  names: [{json.dumps(name)}]\n")[0]
    good = '["studio", "mix-2.studio.lan", "10.0.0.7", "fe80::1"]'
    assert len(parse_settings(f"serve:\n  names: {good}\n", "x.yaml").serve.names) == 4


def test_a_file_that_is_found_without_naming_it_is_not_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "user"))
    usual = Path(platformdirs.user_config_path("beatintake")) / "beatintake.yaml"
    other = tmp_path / "studio" / "beatintake.yaml"
    for path in (usual, other):
        path.parent.mkdir(parents=True)
        path.write_text("work: {max_workers: 2}\n")
    assert load_settings(usual).named is None
    assert load_settings(None).named is None
    assert load_settings(other).named == other.resolve()
    assert load_settings(other).model_copy(update={"work": Work()}).named == other.resolve()
    assert pickle.loads(pickle.dumps(load_settings(other))).named == other.resolve()  # in a worker, too
