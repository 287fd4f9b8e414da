"""A SOURCE that was heard, and the proof of its tanks: what the command and the library share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from canlevel.capture.source import is_live
from canlevel.diagnosis import Heard
from canlevel.proving.judging import prove
from canlevel.proving.marks import Mark, WrittenMark
from canlevel.proving.records import Proofs
from canlevel.units import VolumeUnit

__all__ = ["proof_of"]


def proof_of(
    heard: Heard,
    marks: Sequence[WrittenMark | Mark],
    sources: Sequence[str | Path],
    *,
    version: str,
    tank: str | None = None,
    units: VolumeUnit = VolumeUnit.LITRE,
) -> Proofs:
    """The Proofs of what was heard, with where it came from. sources: the words a user gave. version: canlevel's own.
    units: of volumes in sentences; figures stay in litres."""
    names = [
        "standard input" if word == "-" else str(word) if is_live(word) else Path(word).name
        for word in map(str, sources)
    ]
    proofs = prove(heard.evidence, heard.explain().findings, marks, tank=tank, units=units)
    return replace(proofs, source=", ".join(names), written_by=version)
