"""The mutants: every small change that mutmut knows, as a code object that can take a function's place.

mutmut (a general mutation-testing library) reads a source file and writes every changed function out once.
Here the file that it wrote is executed in a name space of its own, for the code objects alone: the real
module stays as it was imported, and a mutant is put in by giving the real function the mutant's code. That
reaches every table and every import that holds the function, and costs nothing while the tests run.
"""

from __future__ import annotations

import difflib
import hashlib
import importlib
import inspect
import sys
import types
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from mutmut.mutation.data import LineSpan
from mutmut.mutation.file_mutation import mutate_file_contents

PACKAGES = ("controller/parts", "controller/unit", "controller/bank", "controller/alarms")
_MARK = "__mutmut_"


@dataclass(frozen=True)
class Mutant:
    """One changed function. ``lines`` are those of the real file that the change touches."""

    module: str
    function: str  # as in "Sequencer.scan"
    again: int  # how many mutants of the function before it look the same: 0 for nearly all
    old: str
    new: str
    lines: frozenset[int]
    code: types.CodeType
    defaults: tuple[object, ...] | None
    text: tuple[str, ...]  # the whole changed function

    @property
    def where(self) -> str:
        """Module and function, without the package."""
        return f"{self.module.removeprefix('controller.')}.{self.function}"

    @property
    def key(self) -> str:
        """Name that stays while the changed lines stay, whatever else moves in the file."""
        digest = hashlib.sha256(f"{self.where}\n{self.old}\n{self.new}\n{self.again}".encode()).hexdigest()
        return f"{self.where}:{digest[:10]}"

    def put_in(self) -> None:
        """Let the mutant take the place of the function, in this process, for good."""
        function = real_function(self.module, self.function)
        function.__code__ = self.code
        function.__defaults__ = self.defaults

    def changed_source(self) -> str:
        """The text of the whole file with the mutant in it; to be asked before it is put in."""
        function = real_function(self.module, self.function)
        lines = Path(function.__code__.co_filename).read_text(encoding="utf-8").splitlines()
        old, first = inspect.getsourcelines(function)
        return "\n".join([*lines[: first - 1], *self.text, *lines[first - 1 + len(old) :]]) + "\n"


def real_function(module: str, function: str) -> types.FunctionType:
    """The function of the running program; ``function`` is as in "Sequencer.scan"."""
    found: object = importlib.import_module(module)
    for name in function.split("."):
        found = vars(found)[name]
    return _plain(found)


def _plain(found: object) -> types.FunctionType:
    if isinstance(found, staticmethod | classmethod):
        found = found.__func__
    assert isinstance(found, types.FunctionType)
    return found


def source_files(root: Path) -> list[Path]:
    """Every file that is mutated, in a fixed order."""
    return [path for package in PACKAGES for path in sorted((root / package).glob("*.py"))]


def of_file(root: Path, path: Path) -> list[Mutant]:
    """All mutants of one file, in the order of the file."""
    source = path.read_text(encoding="utf-8")
    module = ".".join(path.relative_to(root).with_suffix("").parts)
    written = mutate_file_contents(str(path), source)
    if not written.mutant_names:
        return []
    lines = written.code.splitlines()
    space = _executed(written.code, module, path)
    mutants: list[Mutant] = []
    seen: Counter[tuple[str, str, str]] = Counter()
    for name, function, number in _named(written.mutant_names):
        span = written.line_span_by_function_name
        original = _text(lines, span[f"{name}{_MARK}orig"])
        changed = _text(lines, span[f"{name}{_MARK}{number}"])
        real = _found(space, function, f"{name}{_MARK}{number}")
        old, new, touched = _difference(original, changed, _first_line(module, function))
        again = seen[function, old, new]
        seen[function, old, new] += 1
        code, defaults = real.__code__, real.__defaults__
        text = tuple(_from_def(changed, function.rpartition(".")[2]))
        mutants.append(Mutant(module, function, again, old, new, touched, code, defaults, text))
    return mutants


def _executed(code: str, module: str, path: Path) -> dict[str, object]:
    """Names of the written file; it must look like a module of its own to dataclasses."""
    scratch = types.ModuleType(f"{module}_mutants")
    scratch.__package__ = module.rpartition(".")[0]
    sys.modules[scratch.__name__] = scratch
    exec(compile(code, str(path), "exec", dont_inherit=True), scratch.__dict__)
    return scratch.__dict__


def _named(names: Sequence[str]) -> Iterator[tuple[str, str, int]]:
    """(mutmut's name, name in the source, number) of every mutant."""
    for full in names:
        name, _, number = full.rpartition(_MARK)
        if "ǁ" in name:
            _x, class_name, method = name.split("ǁ")
            yield name, f"{class_name}.{method}", int(number)
        else:
            yield name, name.removeprefix("x_"), int(number)


def _found(space: dict[str, object], function: str, written: str) -> types.FunctionType:
    owner = function.rpartition(".")[0]
    found = vars(space[owner])[written] if owner else space[written]
    return _plain(found)


def _text(lines: list[str], span: LineSpan) -> list[str]:
    return lines[span.start - 1 : span.end]


def _first_line(module: str, function: str) -> int:
    return real_function(module, function).__code__.co_firstlineno


def _difference(original: list[str], changed: list[str], first_line: int) -> tuple[str, str, frozenset[int]]:
    """Old and new text of what differs, and the lines of the real file that it touches."""
    original, changed = _from_def(original), _from_def(changed)
    old: list[str] = []
    new: list[str] = []
    touched: set[int] = set()
    matcher = difflib.SequenceMatcher(None, original, changed, autojunk=False)
    for tag, low, high, low_new, high_new in matcher.get_opcodes():
        if tag != "equal":
            old += original[low:high]
            new += changed[low_new:high_new]
            touched |= set(range(first_line + low, first_line + max(high, low + 1)))
    return _stripped(old), _stripped(new), frozenset(touched)


def _stripped(lines: list[str]) -> str:
    return "\n".join(line.strip() for line in lines)


def _from_def(lines: list[str], name: str = "") -> list[str]:
    """The lines from the decorator or ``def`` on, with ``name`` in the place of the written one."""
    start = next(place for place, line in enumerate(lines) if line.lstrip().startswith(("def ", "@")))
    # staticmethod stays, mutmut's own decorator does not
    body = [line for line in lines[start:] if not line.lstrip().startswith("@_mutmut")]
    place = next(place for place, line in enumerate(body) if line.lstrip().startswith("def "))
    indent = body[place][: body[place].index("def ")]
    body[place] = f"{indent}def {name}{body[place][body[place].index('(') :]}"
    return body
