"""What a disk may hold after the power was cut: a model of files, folders and what was synced, fed by a store at work.

A Recorder notes every call of canlevel.storage.disk. `disks_after` gives folders as they may be found when the world stopped
after the first n of those calls:
- what was written to a file and not synced is there, lost, or half there with zeros behind it;
- names that were made, changed or removed without their folder being synced are as they were before or as they are now, each
  for itself. A journalled file system keeps their order, which is milder; this model does not rely on that.
- "killed": all that was called has happened, as after SIGKILL.

What the model cannot show: a disk that says it has written what it has not, or that tears a sector.
"""

from __future__ import annotations

import itertools
import os
import random
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

from canlevel.storage import disk

__all__ = ["Recorder", "disks_after"]


@dataclass
class _File:
    synced: bytes = b""
    content: bytes = b""


_keys = itertools.count()


@dataclass
class _Folder:
    """key: which folder it is, whatever its name in one tree or another."""

    entries: dict[str, Any] = field(default_factory=dict)
    key: int = field(default_factory=lambda: next(_keys))

    def folder(self, key: int) -> _Folder | None:
        """The folder with a key, here or below."""
        if self.key == key:
            return self
        below = (item.folder(key) for item in self.entries.values() if isinstance(item, _Folder))
        return next((found for found in below if found is not None), None)


@dataclass
class _NameChange:
    """One call that changes names. folders: the keys of the folders it touches. apply: changes a tree, where it can."""

    folders: frozenset[int]
    apply: Callable[[_Folder], None]
    lasts: bool = False


class Recorder:
    """Notes the calls in `calls`: (name, arguments). Marks of a scenario's own are put between them by `promise`."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.calls: list[tuple[str, tuple[Any, ...]]] = []
        self._names: dict[int, str] = {}  # of open files

    def promise(self, what: Any) -> None:
        """From here on, whatever happens, the store must hold this."""
        self.calls.append(("promise", (what,)))

    def _name(self, path: Path) -> str:
        return path.relative_to(self.root).as_posix()

    @contextmanager
    def recording(self, *, swaps: bool = True) -> Iterator[None]:
        """Note calls within. swaps: whether this disk can exchange two folders."""
        real = {name: getattr(disk, name) for name in disk.__all__}
        note = self.calls.append

        def write_file(path: Path, write: Callable[[BinaryIO], object]) -> None:
            real["write_file"](path, write)
            note(("create", (self._name(path),)))
            note(("content", (self._name(path), path.read_bytes())))
            note(("synced", (self._name(path),)))

        def open_appending(path: Path) -> int:
            new = not path.exists()
            descriptor: int = real["open_appending"](path)
            self._names[descriptor] = self._name(path)
            if new:
                note(("create", (self._name(path),)))
            return descriptor

        def append(descriptor: int, content: bytes) -> None:
            real["append"](descriptor, content)
            note(("append", (self._names[descriptor], content)))

        def sync(descriptor: int) -> None:
            real["sync"](descriptor)
            note(("synced", (self._names[descriptor],)))

        def rename(path: Path, to: Path) -> None:
            real["rename"](path, to)
            note(("rename", (self._name(path), self._name(to))))

        def exchange(path: Path, other: Path) -> bool:
            if not swaps or not real["exchange"](path, other):
                return False
            note(("exchange", (self._name(path), self._name(other))))
            return True

        def remove(path: Path) -> None:
            if path.exists():
                note(("remove", (self._name(path),)))
            real["remove"](path)

        def remove_folder(path: Path) -> None:
            if path.exists():
                for base, folders, files in os.walk(path, topdown=False):
                    for name in (*files, *folders):
                        note(("remove", (self._name(Path(base) / name),)))
                note(("remove", (self._name(path),)))
            real["remove_folder"](path)

        def make_folder(path: Path) -> None:
            if path.is_dir():
                return
            make_folder(path.parent)
            path.mkdir(exist_ok=True)
            note(("folder", (self._name(path),)))
            sync_folder(path.parent)

        def sync_folder(folder: Path) -> None:
            real["sync_folder"](folder)
            note(("synced folder", (self._name(folder),)))

        ours = {
            name: local for name, local in locals().items() if name in real and name not in ("real", "note", "swaps")
        }
        assert set(ours) == set(real)
        try:
            for name, function in ours.items():
                setattr(disk, name, function)
            yield
        finally:
            for name, function in real.items():
                setattr(disk, name, function)


def _tree(root: Path) -> _Folder:
    folder = _Folder()
    for path in root.iterdir():
        folder.entries[path.name] = (
            _tree(path) if path.is_dir() else _File(content := path.read_bytes(), content)  # found there, so synced
        )
    return folder


def _same_files(folder: _Folder) -> _Folder:
    """The folder with names of its own for the same files."""
    items = folder.entries.items()
    return _Folder({name: _same_files(item) if isinstance(item, _Folder) else item for name, item in items}, folder.key)


def _find(tree: _Folder, name: str) -> Any:
    at: Any = tree
    for part in Path(name).parts:
        if not isinstance(at, _Folder) or part not in at.entries:
            return None
        at = at.entries[part]
    return at


def _change(name: str, arguments: tuple[str, ...], now: _Folder) -> _NameChange:
    """A call that changes names, as a change of any tree. now: the tree as the program that calls sees it."""
    places = []
    for word in arguments:
        folder = _find(now, Path(word).parent.as_posix()) if Path(word).parent.parts else now
        assert isinstance(folder, _Folder), word
        places.append((folder.key, Path(word).name))
    made = _File() if name == "create" else None
    key = next(_keys)

    def apply(tree: _Folder) -> None:
        found = [(tree.folder(at), word) for at, word in places]
        if any(folder is None for folder, _ in found):
            return
        (folder, word), (to, other) = found[0], found[-1]
        assert folder is not None
        assert to is not None
        if name == "create":
            folder.entries[word] = made
        elif name == "folder":
            folder.entries.setdefault(word, _Folder(key=key))
        elif name == "remove":
            folder.entries.pop(word, None)
        elif name == "rename":
            if word in folder.entries:
                to.entries[other] = folder.entries.pop(word)
        elif word in folder.entries and other in to.entries:
            folder.entries[word], to.entries[other] = to.entries[other], folder.entries[word]

    return _NameChange(frozenset(at for at, _ in places), apply)


def _write(tree: _Folder, target: Path, kind: str, draw: random.Random) -> None:
    target.mkdir()
    for name, item in tree.entries.items():
        if isinstance(item, _Folder):
            _write(item, target / name, kind, draw)
            continue
        content = item.content
        if kind != "killed" and content != item.synced:
            fresh = content[len(item.synced) :] if content.startswith(item.synced) else content
            kept = draw.choice([0, len(fresh) // 2, len(fresh)])
            base = item.synced if content.startswith(item.synced) else b""
            content = base + fresh[:kept] + b"\0" * draw.choice([0, (len(fresh) - kept) // 2])
        (target / name).write_bytes(content)


def disks_after(
    before: Path, recorder: Recorder, n: int, target: Path, draw: random.Random, cuts: int = 3
) -> Iterator[tuple[str, list[Any]]]:
    """Folders as they may be found after n calls, each written to `target` in turn: (which, what was promised until then).

    before: the folder as it was when the recorder began. cuts: how many power cuts to draw.
    """
    for kind in ("killed", "nothing more", *["drawn"] * cuts):
        tree = _tree(before)
        now = _same_files(tree)  # as a running program sees it, to know which file a name means
        names: list[_NameChange] = []
        promised: list[Any] = []
        for name, arguments in recorder.calls[:n]:
            if name == "promise":
                promised.append(arguments[0])
            elif name in ("content", "append", "synced"):
                file = _find(now, arguments[0])
                if name == "content":
                    file.content = arguments[1]
                elif name == "append":
                    file.content += arguments[1]
                else:
                    file.synced = file.content
            elif name == "synced folder":
                key = (_find(now, arguments[0]) if Path(arguments[0]).parts else now).key
                for change in names:
                    change.lasts |= key in change.folders
            else:
                change = _change(name, arguments, now)
                change.apply(now)
                names.append(change)
        for change in names:
            if kind == "killed" or change.lasts or (kind == "drawn" and draw.random() < 0.5):
                change.apply(tree)
        shutil.rmtree(target, ignore_errors=True)
        _write(tree, target, kind, draw)
        yield kind, promised
