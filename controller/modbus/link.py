"""The asking side of Modbus: one exchange at a time, one deadline for the whole of it, no answer on trust.

``Link.exchange`` gives the values that answer this request, or raises ``LinkError``. An answer that is late,
foreign, doubled or not as long as it must be is never data. What keeps a late one from the next request: a
TCP connection is closed after any failure; a serial line rests until no answer can come any more, and is
silent before it is asked again. Age and ownership are the driver's business (``controller/drivers``).
"""

from __future__ import annotations

import time
from types import TracebackType

from controller.modbus.requests import Read, Write, answer_of, requests_for
from controller.modbus.serial_line import SerialLine
from controller.modbus.settings import LinkSettings, Rs485, SerialSettings, TcpSettings, check
from controller.modbus.tcp_line import TcpLine
from controller.modbus.troubles import LinkError, Trouble
from controller.tables import Table

__all__ = [
    "Link",
    "LinkError",
    "LinkSettings",
    "Read",
    "Rs485",
    "SerialSettings",
    "Table",
    "TcpSettings",
    "Trouble",
    "Write",
]


class Link:
    """One TCP connection or one serial line, for one thread.

    Nothing is opened before the first exchange. A loss always shows as a LinkError; the exchange after it
    opens the link again, with attempts at least 0.2 s apart. InputError for a host that is not this machine,
    unless ``allow_remote``.
    """

    def __init__(self, settings: LinkSettings, *, allow_remote: bool = False) -> None:
        check(settings, allow_remote)
        self._line = TcpLine(settings) if isinstance(settings, TcpSettings) else SerialLine(settings)

    @property
    def name(self) -> str:
        """How messages call this link."""
        return self._line.name

    @property
    def losses(self) -> int:
        """How often connection or port have been lost; after a change another device may answer."""
        return self._line.losses

    def exchange(
        self, unit_id: int, write: Write | None, read: Read | None, fc23: bool, deadline_s: float
    ) -> list[int]:
        """Write, then read, as two requests or, with ``fc23``, as one; the values read (bits as 0 and 1).

        ``deadline_s`` is the time allowed for all of it, connecting included. It counts from the moment at
        which the line may be asked: after a failure a serial line rests, for its ``late_answer_s`` at most.
        LinkError when there is no answer; ValueError for what no device could be asked.
        """
        requests = requests_for(unit_id, write, read, fc23)
        self._line.rest()
        end_s = time.monotonic() + deadline_s
        values: list[int] = []
        try:
            for request in requests:
                values = answer_of(request, self._line.ask(request, end_s))
        except LinkError as error:
            if error.kind is not Trouble.REFUSED:  # an exception is a sound answer
                self._line.give_up()
            raise
        return values

    def close(self) -> None:
        """Let go of connection or port; another exchange would open it again."""
        self._line.close()

    def __enter__(self) -> Link:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
