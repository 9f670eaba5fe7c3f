"""The commands, one module each. Their summaries here are listed by `everymetre --help` without importing them."""

SUMMARIES = {
    "run": "Start the demo: broker, simulator, monitor and dashboard. Ctrl-C stops all.",
    "init": "Write the configuration of a works to begin with.",
    "broker": "Start the embedded MQTT broker (loopback only).",
    "monitor": "Monitor production lines: raise alarms and store the record.",
    "replay": "Run a recording through the engine, directly or over MQTT.",
    "check": "Check the configuration and list all errors.",
    "contract": "Export the rules and message schemas for gateway developers, or test a gateway.",
    "kinetics": "Fit t90 and activation energy to rheometer data.",
    "wall": "Compare wall thickness readings with a recipe.",
    "verify": "Verify the hash chain of the journal and report any change.",
    "rehearse": "Rehearse other alarm limits on recorded data and compare the alarms.",
    "doctor": "Check the integrity of the store, and rebuild it from its messages to compare.",
}
