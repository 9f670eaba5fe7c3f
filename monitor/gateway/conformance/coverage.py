"""What the conformance test cannot see from outside, by rule, and why."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class NotTried:
    """Reasons by rule: of those that are `never` tried, and of the part of the others that is not (`partly`)."""

    never: dict[str, str]
    partly: dict[str, str]

    def reasons(self, rule: str, tried: bool) -> list[str]:
        """What to report of one rule, `tried` by what came."""
        if rule in self.never:
            return [self.never[rule]]
        nothing = [] if tried else ["nothing came that shows whether it is kept"]
        return nothing + ([self.partly[rule]] if rule in self.partly else [])


_PARTLY = {
    "R8": "whether a block bridges a hole in sampling, which only its publisher knows",
    "R13": "how far the publisher's clock is from UTC within what a monitor takes",
    "R21": "whether what is put aside comes again, which may take 10 minutes",
    "R23": "whether a message is true of the line",
}

BY_OWN_BROKER = NotTried(
    never={"R22": "the site's broker, which is not here: try again with its URL"},
    partly=_PARTLY
    | {
        "R2": "where a password is kept, and TLS unless --try has an mqtts:// address with --certificates",
        "R15": "size and disk of the outbox, which need an outage of hours and the end of the publisher's process",
    },
)
BY_SITE_BROKER = NotTried(
    never={
        "R1": "connections, which a client of the broker neither sees nor cuts",
        "R2": "TLS, passwords and subscriptions, which the broker and its access control list hold",
        "R4": "subscriptions, which a client of the broker does not see",
        "R15": "sampling while the broker is away, which a client cannot bring about, and the outbox within",
    },
    partly=_PARTLY
    | {
        "R3": "QoS 2, which a client receives as 1",
        "R14": "whether the outbox outlives a connection, which a client cannot cut",
        "R17": "the knock after a new connection; the one after silence is tried",
        "R18": "what the broker has not acknowledged; what is not reported is tried",
        "R22": "more than some thousand queued messages, and what the broker still has after its own end",
    },
)
