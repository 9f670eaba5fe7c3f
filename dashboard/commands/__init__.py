"""What the commands of this package do, a line each: `everymetre --help` lists them without importing them."""

SUMMARIES = {
    "dashboard": "Start the dashboard web server. Addresses other than loopback require accounts.",
    "record": "Print the record of a drum or reel, as text, JSON or PDF.",
    "notify": "Notify people of unacknowledged alarms, by mail and other services.",
    "account": "Create, change, delete and list dashboard accounts.",
}
