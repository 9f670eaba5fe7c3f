"""The commands, one module each. Their summaries here are listed by `everymetre --help` without importing them."""

SUMMARIES = {
    "run": "Start broker, simulator, monitor and dashboard; Ctrl-C stops all.",
    "init": "Write the configuration of a works to begin with.",
    "broker": "Start the embedded broker, on this machine only.",
    "monitor": "Watch the streams of lines, raise alarms, keep the record.",
    "replay": "Run a recording through the engine, straight or over MQTT.",
    "check": "Check all configuration and name every fault.",
    "contract": "Write rules and schemas of all messages for authors of gateways, or test a gateway.",
    "kinetics": "Fit t90 and activation energy to rheometer rows.",
    "verify": "Follow the journal's chain and say whether anything was changed.",
    "rehearse": "Run recorded streams through other limits and compare what would have been raised.",
    "doctor": "Check that the store is whole, and make it again from its messages to compare.",
}
