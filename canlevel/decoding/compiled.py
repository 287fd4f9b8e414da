"""The built-in definitions in the form that decoding uses, kept beside dbc/, because compiling them takes half a second.

    python -m canlevel.decoding.compiled      writes it anew after a change in dbc/

It carries a fingerprint of the DBC files it was made from; where they have changed since, it is left alone and the files are
compiled as they are. So it can be out of date but never wrong.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

from canlevel.decoding.fields import Field
from canlevel.decoding.messages import Definitions, Level, Message, NetworkMessage

__all__ = ["COMPILED", "compiled_text", "definitions_of", "message_of"]

COMPILED = "compiled.json"
_KEYED_BY_NUMBER = ("no_number", "words")
_KINDS = (Definitions, Message, Level, NetworkMessage, Field)


def compiled_text(definitions: Definitions, texts: Mapping[str, str]) -> str:
    """The definitions as JSON, with the fingerprint of the DBC files. texts: those files by their names."""
    return json.dumps({"of": _fingerprint(texts), **asdict(definitions)}, indent=1) + "\n"


def definitions_of(compiled: str, texts: Mapping[str, str]) -> Definitions | None:
    """The definitions of what compiled_text gave, or None where it was made from other files than `texts`."""
    try:
        document = json.loads(compiled)
        if document["of"] != _fingerprint(texts):
            return None
        tanks = tuple(message_of(facts) for facts in document["tanks"])
        return Definitions(tanks, tuple(_network_message(facts) for facts in document["network"]))
    except (ValueError, KeyError, TypeError, AttributeError):
        return None


def _fingerprint(texts: Mapping[str, str]) -> str:
    # The shape of what is written belongs to it: an older form is no use to a newer program.
    shape = [[part.name for part in fields(kind)] for kind in _KINDS]
    return hashlib.sha256(json.dumps([shape, sorted(texts.items())]).encode()).hexdigest()


def message_of(facts: dict[str, Any]) -> Message:
    """The message of what dataclasses.asdict() gave of one, also by way of JSON.

    Raises KeyError, TypeError, ValueError or AttributeError for anything else.
    """
    levels = tuple(
        Level(_needed(level["level"]), _field(level["steps"]), level["fluid"], level["instance"])
        for level in facts["levels"]
    )
    parts = {name: _field(facts[name]) for name in ("instance", "fluid", "capacity", "volume")}
    return Message(**{**facts, "levels": levels, **parts})


def _network_message(facts: dict[str, Any]) -> NetworkMessage:
    return NetworkMessage(**{**facts, "fields": {name: _needed(part) for name, part in facts["fields"].items()}})


def _field(facts: dict[str, Any] | None) -> Field | None:
    return None if facts is None else _needed(facts)


def _needed(facts: dict[str, Any]) -> Field:
    # JSON has no numbers for keys.
    numbered = {name: {int(raw): word for raw, word in facts[name].items()} for name in _KEYED_BY_NUMBER}
    return Field(**{**facts, **numbered})


if __name__ == "__main__":
    from canlevel.decoding.definitions import builtin_texts, compile_texts
    from canlevel.shipped import shipped

    Path(str(shipped("dbc") / COMPILED)).write_text(compiled_text(compile_texts(builtin_texts()), builtin_texts()))
