"""Configurations outlive releases: every option that was ever offered is still read and heeded.

`frozen/default-*.yaml` are the files that `beatintake init` wrote, one for each set of options that was
released; `frozen/every-option.yaml` sets each option of the first one to another value. None is changed.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml

from config.load import load_settings
from config.settings import Settings

FROZEN = Path(__file__).parent / "frozen"
FILES = sorted(FROZEN.glob("*.yaml"))


def options(path: Path) -> dict[tuple[str, str], Any]:
    """What is written in a file, by section and key."""
    data = yaml.safe_load(path.read_text(encoding="utf-8"))
    return {(section, key): value for section, keys in data.items() for key, value in keys.items()}


def read(settings: Settings, section: str, key: str) -> Any:
    return getattr(settings, section).model_dump(mode="json")[key]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_released_shape_is_read_as_it_is_written(path: Path) -> None:
    settings = load_settings(path)
    for (section, key), written in options(path).items():
        found = read(settings, section, key)
        if section == "folders":
            assert found == str(FROZEN / Path(written).expanduser()), key
        else:
            assert str(found) == str(written) or found == written, f"{section}.{key}"


def test_no_option_of_the_first_shape_is_read_and_forgotten() -> None:
    settings, plain = load_settings(FROZEN / "every-option.yaml"), Settings()
    given = options(FROZEN / "every-option.yaml")
    assert set(options(FROZEN / "default-1.yaml")) <= set(given)
    same = [f"{s}.{k}" for s, k in given if read(settings, s, k) == read(plain, s, k)]
    assert same == []
