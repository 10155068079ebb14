"""Which of many a person means by a name: exactly, else without case and accents, else by its start."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Collection, Mapping

from daemon.core.errors import WrongRequest
from daemon.core.names import folded
from daemon.core.text import enumerated, one_line

LISTED = 5


def the_one(wanted: str, names: Mapping[str, Collection[str]], what: str, where: str) -> str:
    """The only thing that `wanted` can mean. Raises WrongRequest: there is none, or several.

    Parameters
    ----------
    names : other names by the proper name
    what : for the message, "ready beat"
    where : what to do when there is none
    """
    found = fitting(wanted, names)
    if len(found) == 1:
        return found[0]
    if not found:
        raise WrongRequest(one_line(wanted), f"no {what} is called so", where)
    listed = enumerated([one_line(name) for name in found], LISTED)
    raise WrongRequest(one_line(wanted), f"several fit: {listed}", "give more of the name")


def fitting(wanted: str, names: Mapping[str, Collection[str]]) -> list[str]:
    """Everything that fits as well as the best does, sorted; proper names go before other names."""
    exact, loose = _nfc(wanted), folded(wanted)
    tests: list[Callable[[str], bool]] = [lambda name: _nfc(name) == exact]
    if loose:
        tests.append(lambda name: folded(name) == loose)
    for fits in tests:
        proper = [name for name in names if fits(name)]
        if found := proper or [name for name, others in names.items() if any(map(fits, others))]:
            return sorted(found)
    if not loose:
        return []
    return sorted(
        name for name, others in names.items() if any(folded(n).startswith(loose) for n in (name, *others))
    )


def _nfc(name: str) -> str:
    return unicodedata.normalize("NFC", name)
