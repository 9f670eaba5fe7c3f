"""The command `everymetre account`: create, change, delete and list accounts of the dashboard."""

import getpass
import sys
from argparse import ArgumentParser, Namespace
from pathlib import Path

from dashboard.commands import SUMMARIES
from dashboard.web.accounts import ROLES, Accounts
from monitor.contract.command import Command
from monitor.contract.config.load import ConfigurationError, load


def _options(parser: ArgumentParser) -> None:
    parser.add_argument("name", nargs="?", help="account name; omit it to list all accounts")
    parser.add_argument(
        "--configs", type=Path, default=Path("configs"), metavar="DIR", help="configuration folder (default: configs)"
    )
    parser.add_argument("--role", default="look", help=f"one of: {', '.join(ROLES)} (default: look)")
    parser.add_argument("--remove", action="store_true", help="remove the account")
    parser.add_argument("--password-stdin", action="store_true", help="read the password from standard input")


def _run(options: Namespace) -> int:
    try:
        accounts = Accounts(Path(load(options.configs).works.dashboard.accounts_file))
        if options.name is None:
            print("\n".join(f"{name}: {a['role']}" for name, a in accounts.all().items()) or "no accounts yet")
        elif options.remove:
            accounts.remove(options.name)
        else:
            accounts.put(options.name, options.role, _password(options.password_stdin))
    except (ConfigurationError, FileNotFoundError, ValueError) as error:
        print(error, file=sys.stderr)
        return 2
    return 0


def _password(stdin: bool) -> str:
    if stdin:
        return sys.stdin.readline().rstrip("\n")
    first, again = getpass.getpass("Password: "), getpass.getpass("Again: ")
    if first != again:
        raise ValueError("the two passwords are not the same; nothing was changed")
    return first


COMMAND = Command(SUMMARIES["account"], _options, _run)
