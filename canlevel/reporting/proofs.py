"""Proofs that `canlevel prove --format json` wrote, read for a report, which may come from anybody."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

from canlevel.errors import Place, QueryError, printable
from canlevel.show.text import number as figure_words
from canlevel.units import VolumeUnit

__all__ = ["RESULT_WORDS", "Proof", "ProofItem", "ProvedTank", "load_proof"]

FORMAT, FORMAT_VERSION = "canlevel proof", 1
LARGEST = 16 * 1024 * 1024
MOST_TANKS, MOST_ITEMS, LONGEST_TEXT = 1000, 200, 2000
VERDICTS = ("proved", "proved with remarks", "not proved")
COUNTED = ("readings", "devices")
RESULT_WORDS = {"ok": "ok", "remark": "remark", "fail": "failed", "not_tested": "not tested"}
MAKE_ONE = "write one with: canlevel prove SOURCE --roster FILE --format json"


@dataclass(frozen=True, slots=True)
class ProofItem:
    """One question about a tank. result: a key of RESULT_WORDS. measured: in `unit`, between low and high, None where nothing
    was. sentence, limit: as written, in the unit that the proof was asked for."""

    title: str
    result: str
    sentence: str
    measured: float | None
    low: float | None
    high: float | None
    unit: str
    limit: str

    def figure(self, units: VolumeUnit) -> str:
        """What was measured, as a person reads it; litres in `units`. "" where nothing was."""
        unit, scale = (f"{units.symbol}/min", units.litres) if self.unit == "L/min" else (self.unit, 1.0)
        measured, low, high = (None if one is None else one / scale for one in (self.measured, self.low, self.high))
        told = "" if measured is None else f"{figure_words(measured)} {unit}".strip()
        if measured is not None and unit in COUNTED:
            told = f"{measured:,.0f} {unit}" if measured != 1 else f"1 {unit.removesuffix('s')}"
        if low is None or high is None or low == high:
            return told
        limits = f"{figure_words(low)} to {figure_words(high)}"
        return f"{told} ({limits})" if told else f"{limits} {unit}".strip()


@dataclass(frozen=True, slots=True)
class ProvedTank:
    """A tank of a proof, with its verdict and why."""

    tank: str
    name: str | None
    verdict: str
    reasons: tuple[str, ...]
    items: tuple[ProofItem, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Proof:
    """The proof of some tanks of a vessel. since, until: as written, UTC. not_shown: what a proof leaves open."""

    file: str
    vessel: str | None
    source: str | None
    since: str | None
    until: str | None
    tanks: tuple[ProvedTank, ...]
    not_shown: str


def load_proof(path: str | Path) -> Proof:
    """Read a proof.

    Raises QueryError with the place of what is wrong: a file that is none, an unknown version, a missing value.
    """
    path = Path(path)
    where = Place(str(path))
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST + 1)
    except OSError as error:
        raise QueryError(f"cannot be read ({error.strerror or error})", where=where, next_step=MAKE_ONE) from error
    if len(content) > LARGEST:
        raise QueryError(f"is larger than {LARGEST >> 20} MB, which no proof is", where=where)
    try:
        document = json.loads(content.decode("utf-8-sig"))
    except json.JSONDecodeError as error:
        raise QueryError(
            f"is no JSON: {error.msg}", where=Place(str(path), error.lineno), next_step=MAKE_ONE
        ) from error
    except (ValueError, RecursionError) as error:
        raise QueryError("is no JSON", where=where, next_step=MAKE_ONE) from error
    return _Reader(str(path)).proof(document)


class _Reader:
    """Takes a document apart and names the place of what is wrong in it, as in tanks[2].items[0].result."""

    def __init__(self, file: str) -> None:
        self._file = file

    def proof(self, document: Any) -> Proof:
        if not isinstance(document, dict) or document.get("format") != FORMAT:
            self._refuse("", f'is no proof: it does not say "format": "{FORMAT}"')
        if document.get("format_version") != FORMAT_VERSION:
            self._refuse("format_version", f"is not {FORMAT_VERSION}, the one this canlevel knows")
        tanks = self._list(document, "tanks", "", MOST_TANKS)
        return Proof(
            file=Path(self._file).name,
            vessel=self._text(document, "vessel", ""),
            source=self._text(document, "source", ""),
            since=self._moment(document, "since"),
            until=self._moment(document, "until"),
            tanks=tuple(self._tank(tank, f"tanks[{i}]") for i, tank in enumerate(tanks)),
            not_shown=self._text(document, "not_shown", "") or "",
        )

    def _tank(self, tank: Any, place: str) -> ProvedTank:
        self._object(tank, place)
        verdict = self._needed(tank, "verdict", place)
        if verdict not in VERDICTS:
            self._refuse(f"{place}.verdict", f"is none of: {', '.join(VERDICTS)}")
        return ProvedTank(
            tank=self._needed(tank, "tank", place),
            name=self._text(tank, "name", place),
            verdict=verdict,
            reasons=self._texts(tank, "reasons", place),
            items=tuple(
                self._item(item, f"{place}.items[{i}]")
                for i, item in enumerate(self._list(tank, "items", place, MOST_ITEMS))
            ),
            cautions=self._texts(tank, "cautions", place),
        )

    def _item(self, item: Any, place: str) -> ProofItem:
        self._object(item, place)
        result = self._needed(item, "result", place)
        if result not in RESULT_WORDS:
            self._refuse(f"{place}.result", f"is none of: {', '.join(RESULT_WORDS)}")
        measured, low, high = (self._number(item, key, place) for key in ("measured", "low", "high"))
        return ProofItem(
            title=self._text(item, "title", place) or self._needed(item, "item", place),
            result=result,
            sentence=self._text(item, "sentence", place) or "",
            measured=measured,
            low=low,
            high=high,
            unit=self._text(item, "unit", place) or "",
            limit=self._text(item, "limit", place) or "",
        )

    def _object(self, value: Any, place: str) -> None:
        if not isinstance(value, dict):
            self._refuse(place, "is no object")

    def _list(self, holder: dict[str, Any], key: str, place: str, most: int) -> list[Any]:
        value = holder.get(key, [])
        if not isinstance(value, list) or len(value) > most:
            self._refuse(_inside(place, key), f"is no list of at most {most}")
        return value

    def _texts(self, holder: dict[str, Any], key: str, place: str) -> tuple[str, ...]:
        values = self._list(holder, key, place, MOST_ITEMS)
        for i, value in enumerate(values):
            if not isinstance(value, str):
                self._refuse(f"{_inside(place, key)}[{i}]", "is no text")
        return tuple(value[:LONGEST_TEXT] for value in values)

    def _text(self, holder: dict[str, Any], key: str, place: str) -> str | None:
        value = holder.get(key)
        if value is not None and not isinstance(value, str):
            self._refuse(_inside(place, key), "is no text")
        return None if value is None else value[:LONGEST_TEXT]

    def _needed(self, holder: dict[str, Any], key: str, place: str) -> str:
        value = self._text(holder, key, place)
        if not value:
            self._refuse(_inside(place, key), "is missing")
        return value

    def _moment(self, document: dict[str, Any], key: str) -> str | None:
        text = self._text(document, key, "")
        return None if text is None else f"{text[:10]} {text[11:19]} UTC"

    def _number(self, holder: dict[str, Any], key: str, place: str) -> float | None:
        value = holder.get(key)
        if value is None:
            return None
        if (
            isinstance(value, bool)
            or not isinstance(value, int | float)
            or abs(value) > 1e15
            or not math.isfinite(value)
        ):
            self._refuse(_inside(place, key), "is no number")
        return float(value)

    def _refuse(self, place: str, what: str) -> NoReturn:
        told = f"{printable(place, 80)} {what}" if place else what
        raise QueryError(told, where=Place(self._file), next_step=MAKE_ONE)


def _inside(place: str, key: str) -> str:
    return f"{place}.{key}" if place else key
