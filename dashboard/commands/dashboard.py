"""The command `everymetre dashboard`: pages over the store of a works, for people at this machine."""

import sys
import time
from argparse import ArgumentParser, Namespace
from pathlib import Path

from dashboard.app import create_app
from dashboard.commands import SUMMARIES
from dashboard.components.frame import OWN_SCRIPTS
from dashboard.gateway import MqttGateway
from dashboard.jobs import Bench, ProcessBench
from dashboard.web.accounts import Accounts
from dashboard.web.serve import LOOPBACK_NAMES, CannotServeError, collector_token, guard, listen, want_accounts
from dashboard.web.sign_in import ask_who, content_policy
from monitor.contract.address import address
from monitor.contract.command import Command
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.load import ConfigurationError, load
from monitor.contract.reading import Record


def _options(parser: ArgumentParser) -> None:
    parser.add_argument("--configs", type=Path, default=Path("configs"), metavar="DIR", help="configuration folder")
    parser.add_argument("--store", metavar="DIR", help="store folder (default: as works.toml says)")
    parser.add_argument(
        "--broker", metavar="URL", help="mqtt://HOST:PORT for the actions of people (default: works.toml)"
    )
    parser.add_argument("--host", metavar="H", help="listen address; anything but loopback requires accounts")
    parser.add_argument("--port", type=int, metavar="P", help="listen port (default: works.toml)")
    parser.add_argument(
        "--lifeline", action="store_true", help="exit when standard input closes (used by `everymetre run`)"
    )


def _run(args: Namespace) -> int:
    try:
        return _serve(args, _with_options(load(args.configs), args))
    except (ConfigurationError, CannotServeError, FileNotFoundError, ValueError) as error:
        print(error, file=sys.stderr)
        return 2


def _with_options(configuration: Configuration, args: Namespace) -> Configuration:
    """The configuration with the values of the command line."""
    works = configuration.works
    changes = {
        "store": works.store.model_copy(update={"folder": args.store} if args.store else {}),
        "broker": works.broker.model_copy(update={"url": args.broker} if args.broker else {}),
        "dashboard": works.dashboard.model_copy(
            update={k: v for k, v in (("host", args.host), ("port", args.port)) if v is not None}
        ),
    }
    return configuration.model_copy(update={"works": works.model_copy(update=changes)})


def _record(configuration: Configuration) -> Record:
    from monitor.store.reader import StoreReader

    return StoreReader(configuration.works.store, configuration)


def _bench(configuration: Configuration) -> Bench:
    from monitor.commands.rehearse import work

    return ProcessBench(configuration, work)


def _live_by_stdin() -> None:
    from monitor.contract.lifeline import live_by_stdin

    live_by_stdin()


def _serve(args: Namespace, configuration: Configuration) -> int:
    works = configuration.works
    host, port = works.dashboard.host, works.dashboard.port
    accounts = Accounts(Path(works.dashboard.accounts_file))
    want_accounts(host, accounts)
    gateway = MqttGateway(works.works, address(works.broker))
    app = create_app(_record(configuration), configuration, gateway, time.time, _bench(configuration))
    names = {*LOOPBACK_NAMES, host, *works.dashboard.names}
    guard(app.server, names, lambda: content_policy([*app.csp_hashes(), *OWN_SCRIPTS]))
    if accounts:
        token = collector_token(works.dashboard.collector_token_file)
        ask_who(app.server, accounts, works.title, time.time, works.dashboard.behind_tls, token)
    server = listen(app.server, host, port)
    if args.lifeline:
        _live_by_stdin()
    gateway.start()
    print(f"Pages for {works.title}: http://{host}:{port}", flush=True)
    try:
        server.run()
    except KeyboardInterrupt:
        print("Stopped.")
    finally:
        gateway.stop()
        server.close()
    return 0


COMMAND = Command(SUMMARIES["dashboard"], _options, _run)

if __name__ == "__main__":
    _parser = ArgumentParser("dashboard", description=COMMAND.summary)
    COMMAND.options(_parser)
    sys.exit(COMMAND.run(_parser.parse_args()))
