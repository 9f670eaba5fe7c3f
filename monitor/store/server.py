"""Where the database of a store is, a file in its folder or a server, and how a lost server is noticed."""

from importlib.util import find_spec

from sqlalchemy import URL, make_url

from monitor.contract.command import CannotRunError

FILE = "record.sqlite"
INSTALL = "install it with `pip install everymetre[postgres]`"
# A client that vanished with its machine loses its locks within some 20 s; one that lost the server notices as soon.
KEEPALIVE = {"keepalives_idle": 5, "keepalives_interval": 5, "keepalives_count": 3, "tcp_user_timeout": 20_000}
SERVER_KEEPALIVE = "-c tcp_keepalives_idle=5 -c tcp_keepalives_interval=5 -c tcp_keepalives_count=3"


def server_url(text: str) -> URL:
    """Address of a database server, by the driver that is installed; a password comes from PGPASSFILE, not from here.

    ValueError for another kind of server, CannotRunError without the driver.
    """
    url = make_url(text)
    if url.get_backend_name() != "postgresql":
        raise ValueError(f"store.database_url: expected postgresql://USER@HOST/NAME, got {url.drivername}://...")
    if find_spec("psycopg") is None:
        raise CannotRunError(f"store.database_url names a PostgreSQL server, whose driver is not installed: {INSTALL}")
    return url.set(drivername="postgresql+psycopg")
