"""Detects a line that sends nothing at all."""

from dataclasses import dataclass

from monitor.contract.config.line import Line
from monitor.contract.record import SILENCE_ALARM
from monitor.core.alarms import Definition


@dataclass(slots=True)
class LineSilence:
    """When the newest message of a line was received, UTC s, and whether the line has been found silent since."""

    line: Line
    heard_s: float | None = None
    silent: bool = False

    def definitions(self) -> dict[str, Definition]:
        """The alarm on it, where the line has one."""
        settings = self.line.silence
        return {SILENCE_ALARM: Definition(settings.priority, settings.after_s, "s")} if settings else {}

    def receive(self, received_s: float) -> bool:
        """A message came; whether it ends a silence."""
        self.heard_s = received_s if self.heard_s is None else max(self.heard_s, received_s)
        ended, self.silent = self.silent, False
        return ended

    def is_due(self, now_s: float) -> bool:
        """Whether a silence that is not known yet has lasted long enough to be reported at `now_s`."""
        settings = self.line.silence
        if settings is None or self.silent or self.heard_s is None:
            return False
        return now_s - self.heard_s >= settings.after_s
