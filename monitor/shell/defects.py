"""What a defect of our own may touch: one message where decoding fails, one line where its engine does."""

import hashlib
import logging
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from monitor.contract import bounds
from monitor.contract.record import MessageNumber, Rejected
from monitor.contract.topics import Stream
from monitor.core.arrival import Arrival, Message
from monitor.core.decode import Decoder, printable
from monitor.store.store_errors import first_line
from monitor.store.writer import SetAside

DEFECT = "defect"  # kind of rejection
NUMBER_UNKNOWN, STAMP_UNKNOWN_MS = -1, 0  # of bytes that are kept; no message that can be taken has either
KEPT_MAX = 1000  # messages that are known to be kept: one that comes again is not kept twice
PLACES_MAX = 100  # places of the program whose traceback was logged

LOG = logging.getLogger("monitor")


class EngineError(Exception):
    """An engine failed, over what it was fed or by itself: no fault of the store, and none of another line."""


@contextmanager
def engine_step() -> Iterator[None]:
    """Whatever class of exception an engine raises comes out as EngineError: an OSError of it is no full disk."""
    try:
        yield
    except EngineError:
        raise
    except Exception as error:
        raise EngineError(in_words(error)) from error


def in_words(error: BaseException) -> str:
    """Class and first line of an exception."""
    return f"{type(error).__name__}: {first_line(error)}"


@dataclass(slots=True)
class Defects:
    """Messages over which decoding failed: each refused for now, its bytes kept, each place logged once."""

    decoder: Decoder
    kept: list[SetAside] = field(default_factory=list)  # of the present batch
    _known: dict[bytes, None] = field(default_factory=dict)
    _places: set[str] = field(default_factory=set)

    def reject(self, arrival: Arrival, error: Exception) -> Rejected:
        """What is reported of a message: with its number where that can be read, else with the line alone."""
        line, stream, number = self._named(arrival)
        why = printable(f"decoding failed by a defect of the monitor ({in_words(error)}), report it", bounds.TEXT)
        self._log(arrival, error)
        rejected = Rejected(
            kind=DEFECT,
            topic=printable(arrival.topic, 200),
            why=why,
            received_s=arrival.received_s,
            line=line,
            number=number,
            final=False,
        )
        if stream is not None:
            self._keep(arrival, stream, rejected)
        return rejected

    def _named(self, arrival: Arrival) -> tuple[str, Stream | None, MessageNumber | None]:
        """Line, stream and number of a message as far as they can be read."""
        try:
            return self.decoder.name(arrival)
        except Exception:  # noqa: BLE001 - what fails in decoding may fail here too
            return "", None, None

    def _keep(self, arrival: Arrival, stream: Stream, rejected: Rejected) -> None:
        digest = hashlib.blake2b(b"%b\0%b" % (arrival.topic.encode(), arrival.payload), digest_size=16).digest()
        if digest in self._known:
            return
        self._known[digest] = None
        if len(self._known) > KEPT_MAX:
            del self._known[next(iter(self._known))]
        n, start = (NUMBER_UNKNOWN, 0) if rejected.number is None else (rejected.number.n, rejected.number.start)
        t_s, received_s = STAMP_UNKNOWN_MS / 1e3, arrival.received_s
        message = Message(stream=stream, n=n, t_s=t_s, end_s=t_s, received_s=received_s, body=None, start=start)  # type: ignore[arg-type]
        self.kept.append(SetAside(message=message, payload=arrival.payload, when_s=received_s, rejected=rejected))

    def _log(self, arrival: Arrival, error: Exception) -> None:
        place = f"{type(error).__name__} {traceback.extract_tb(error.__traceback__)[-1:]}"
        if place not in self._places and len(self._places) < PLACES_MAX:
            self._places.add(place)
            LOG.error(
                "decoding a message of %s failed by a defect; it is refused, the others continue. Its bytes are %r",
                printable(arrival.topic, 200), arrival.payload[:1000], exc_info=error,
            )  # fmt: skip
