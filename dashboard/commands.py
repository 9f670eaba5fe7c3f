"""What the commands of this package do, a line each: `everymetre --help` lists them without importing them."""

SUMMARIES = {
    "dashboard": "Serve the pages for people; on other addresses than loopback to those with accounts.",
    "account": "Make, change, remove and list accounts of the pages.",
}
