"""The stand-in PLC as a controller in this process: `skidproof prove --controller tests.hil.standin:StandIn`.

Compiles the C program once for each content of its files and keeps the library in the temporary folder.
One variable of the environment plants a mistake: SKIDPROOF_STANDIN_MISTAKE, a number of `enum mistake`.
"""

from __future__ import annotations

import ctypes
import functools
import hashlib
import os
import shutil
import struct
import subprocess
import tempfile
from pathlib import Path

from controller.parts.journal import Entry
from controller.settings import Setpoints
from controller.signals import (
    BANK_SIGNALS,
    UNIT_SIGNALS,
    BankOutputs,
    Command,
    Inputs,
    Kind,
    Outputs,
    UnitOutputs,
    Verb,
    names,
)
from controller.unit.states import UnitState

SOURCES = Path(__file__).parent / "plc"
FLAGS = ("-std=c11", "-O2", "-Wall", "-Wextra", "-Werror", "-fPIC", "-shared")
UNITS_MAX = 24
MISTAKE = "SKIDPROOF_STANDIN_MISTAKE"

PLC, SETPOINTS, INPUTS, OUTPUTS, RETAINED, UNIT_IN, UNIT_OUT = range(7)  # what plc_size asks for
LISTS = (
    (names(UNIT_SIGNALS, Kind.DI), 1),  # numbers of enum plc_list
    (names(UNIT_SIGNALS, Kind.AI), 2),
    (names(BANK_SIGNALS, Kind.DI), 3),
    (names(BANK_SIGNALS, Kind.AI), 4),
    (names(UNIT_SIGNALS, Kind.DO), 5),
    (names(BANK_SIGNALS, Kind.DO), 6),
    (names(BANK_SIGNALS, Kind.AO), 7),
)

# Native alignment, as the compiler lays the structs out; checked against plc_size when the library is loaded.
_BANK_IN = struct.Struct("@15?8d2I0d")
_UNIT_IN = struct.Struct("@11?5d2I0d")
_BANK_OUT = struct.Struct("@5?2d")
_UNIT_OUT = struct.Struct("@6?")

STATES: dict[int, UnitState] = {
    0: UnitState.BOOT,
    10: UnitState.OFF,
    20: UnitState.MAINTENANCE,
    30: UnitState.STANDBY,
    40: UnitState.WAIT_PERMIT,
    50: UnitState.START_FLUSH,
    60: UnitState.DELAY,
    70: UnitState.PUMP_START,
    80: UnitState.PRODUCE,
    90: UnitState.PURGE,
    100: UnitState.QUALITY_FLUSH,
    110: UnitState.STOPPING,
    115: UnitState.STOPPING,
    120: UnitState.STOP_FLUSH,
    125: UnitState.STOPPING,
    130: UnitState.RETRY_WAIT,
    140: UnitState.LOCKOUT,
    150: UnitState.ESTOP,
}
COMMANDS = {Verb.START: 1, Verb.STOP: 2, Verb.MAINTAIN: 4, Verb.RETURN_TO_SERVICE: 8, Verb.RESET: 16}


class NoCompilerError(RuntimeError):
    """There is no C compiler; the message says what to install."""


def compile_library(folder: Path) -> Path:
    """The program as a shared library in ``folder``; compiled when that very source is not there yet."""
    sources = sorted(SOURCES.glob("*.[ch]"))
    digest = hashlib.sha256()
    for part in (*(source.read_bytes() for source in sources), *(flag.encode() for flag in FLAGS)):
        digest.update(part)
    library = folder / f"plc-{digest.hexdigest()[:16]}.so"
    if library.exists():
        return library
    compiler = shutil.which("cc")
    if compiler is None:
        raise NoCompilerError("no C compiler: install one that is called as cc, on Debian the package gcc")
    with tempfile.TemporaryDirectory(dir=folder) as scratch:  # two processes may compile at once
        made = Path(scratch) / library.name
        programs = [str(source) for source in sources if source.suffix == ".c"]
        done = subprocess.run(
            [compiler, *FLAGS, "-o", str(made), *programs], capture_output=True, text=True, check=False
        )
        if done.returncode:
            raise RuntimeError(f"the stand-in PLC does not compile:\n{done.stderr}")
        os.replace(made, library)
    return library


@functools.cache
def library() -> ctypes.CDLL:
    """The loaded program; its structs are checked to be what this module packs."""
    folder = Path(tempfile.gettempdir()) / f"skidproof-standin-{os.getuid()}"
    folder.mkdir(mode=0o700, exist_ok=True)
    if folder.stat().st_uid != os.getuid():  # whoever owns the folder decides what is loaded
        raise RuntimeError(f"{folder} belongs to somebody else")
    lib = ctypes.CDLL(str(compile_library(folder)))
    lib.plc_name.restype = lib.plc_cause_text.restype = ctypes.c_char_p
    lib.plc_size.restype = ctypes.c_size_t
    for wanted, number in LISTS:
        if _names(lib, number) != wanted:
            raise RuntimeError(f"the I/O list of the stand-in PLC differs: {_names(lib, number)}")
    sizes = {
        INPUTS: _BANK_IN.size + UNITS_MAX * _UNIT_IN.size,
        OUTPUTS: _BANK_OUT.size + UNITS_MAX * _UNIT_OUT.size,
        SETPOINTS: 8 * len(_names(lib, 0)),
    }
    for what, size in sizes.items():
        if lib.plc_size(what) != size:
            raise RuntimeError(
                f"struct {what} of the stand-in PLC has {lib.plc_size(what)} bytes, not {size}"
            )
    return lib


def _names(lib: ctypes.CDLL, number: int) -> tuple[str, ...]:
    found: list[str] = []
    while (name := lib.plc_name(number, len(found))) is not None:
        found.append(name.decode())
    return tuple(found)


def packed_setpoints(lib: ctypes.CDLL, setpoints: Setpoints, mistake: int) -> ctypes.Array[ctypes.c_char]:
    """The struct of setpoints; the last of its names is no setpoint of a site but the planted mistake."""
    values = [float(getattr(setpoints, name)) for name in _names(lib, 0)[:-1]]
    return ctypes.create_string_buffer(struct.pack(f"{len(values) + 1}d", *values, float(mistake)))


class StandIn:
    """The C program behind the calls that the bench makes of a controller.

    ``mistake`` plants a mistake of ``enum mistake``; 0 for none. It has no port for setpoints. Its journal
    holds no more than the register of each unit's last move and cause, read after every scan.
    """

    mistake = 0

    def __init__(self, n_units: int, setpoints: Setpoints, retained_text: str | None = None) -> None:
        if n_units > UNITS_MAX:
            raise ValueError(f"n_units = {n_units}: the stand-in PLC has room for {UNITS_MAX}")
        self._lib = library()
        self._n = n_units
        mistake = int(os.environ.get(MISTAKE, self.mistake))
        self._plc = ctypes.create_string_buffer(self._lib.plc_size(PLC))
        self._inputs = ctypes.create_string_buffer(self._lib.plc_size(INPUTS))
        self._outputs = ctypes.create_string_buffer(self._lib.plc_size(OUTPUTS))
        self._lib.plc_init(self._plc, n_units, packed_setpoints(self._lib, setpoints, mistake))
        if retained_text is not None:
            self._lib.plc_recall(self._plc, self._retained_struct(retained_text))
        self._steps = self._read_steps()
        self._events: list[Entry] = []

    def _retained_struct(self, text: str) -> ctypes.Array[ctypes.c_char]:
        """What was kept; text that is none of ours becomes an empty struct, which the program refuses."""
        size = self._lib.plc_size(RETAINED)
        try:
            kept = bytes.fromhex(text)
        except ValueError:
            kept = b""
        return ctypes.create_string_buffer(kept if len(kept) == size else b"", size)

    def scan(self, inputs: Inputs, now_ms: int) -> Outputs:
        """One scan."""
        told = [0] * (self._n + 1)
        for command in inputs.commands:
            told[command.unit] |= _bit(command)
        _BANK_IN.pack_into(self._inputs, 0, *inputs.bank, inputs.bank_age_ms, told[0])
        at = _BANK_IN.size
        for number, unit in enumerate(inputs.units):
            _UNIT_IN.pack_into(self._inputs, at, *unit, inputs.unit_age_ms[number], told[number + 1])
            at += _UNIT_IN.size
        self._lib.plc_scan(self._plc, self._inputs, self._outputs, ctypes.c_uint32(now_ms))
        self._note_moves(now_ms)
        at = _BANK_OUT.size
        units = []
        for _ in range(self._n):
            units.append(UnitOutputs._make(_UNIT_OUT.unpack_from(self._outputs, at)))
            at += _UNIT_OUT.size
        return Outputs(BankOutputs._make(_BANK_OUT.unpack_from(self._outputs, 0)), tuple(units))

    def _read_steps(self) -> list[int]:
        return [self._lib.plc_unit_step(self._plc, unit) for unit in range(self._n)]

    def _note_moves(self, now_ms: int) -> None:
        steps = self._read_steps()
        for unit, (before, after) in enumerate(zip(self._steps, steps, strict=True)):
            if before != after:
                cause = self._lib.plc_cause_text(self._lib.plc_unit_cause(self._plc, unit)).decode()
                self._events.append(Entry(now_ms, unit + 1, "move", f"step {before} to {after}: {cause}"))
        self._steps = steps

    def states(self) -> tuple[UnitState, ...]:
        """The steps of the units in the words of the bench."""
        return tuple(STATES[step] for step in self._steps)

    def retained(self) -> str:
        """What outlasts a loss of power."""
        kept = ctypes.create_string_buffer(self._lib.plc_size(RETAINED))
        self._lib.plc_retain(self._plc, kept)
        return kept.raw.hex()

    def take_events(self) -> list[Entry]:
        """Moves since the last call."""
        events, self._events = self._events, []
        return events

    def snapshot(self) -> tuple[bytes, tuple[int, ...], tuple[Entry, ...]]:
        """The whole memory: the struct holds no pointers."""
        return self._plc.raw, tuple(self._steps), tuple(self._events)

    def restore(self, snapshot: tuple[bytes, tuple[int, ...], tuple[Entry, ...]]) -> None:
        """Continue from a snapshot of a stand-in that was made with the same arguments."""
        memory, steps, events = snapshot
        ctypes.memmove(self._plc, memory, len(memory))
        self._steps, self._events = list(steps), list(events)


def _bit(command: Command) -> int:
    """The panel's bit for a command; it has none for alarms, which move nothing."""
    return COMMANDS.get(command.verb, 0)
