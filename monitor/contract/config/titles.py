"""Display titles of the stations and streams of a line."""

from monitor.contract.config.line import Line


def stream_title(line: Line, path: str) -> str:
    """Title of a stream on screens, with its station where two of a line have one title."""
    settings = line.streams.get(path)
    if settings is None or not settings.title:
        return path.replace("/", " ").replace("-", " ").capitalize()
    alone = sum(s.title == settings.title for s in line.stream) == 1
    return settings.title if alone else f"{settings.title}, {inside(station_title(line, settings.station))}"


def station_title(line: Line, name: str) -> str:
    """Title of a station or zone on screens."""
    station = line.stations.get(name)
    return station.title if station and station.title else name.replace("-", " ").capitalize()


def event_title(line: Line, path: str, check: str) -> str:
    """Title of an event check on screens, with its station where another of the line counts the same."""
    title = check.replace("-", " ").capitalize()
    station, _, quantity = path.partition("/")
    alone = sum(s.kind == "events" and s.quantity == quantity for s in line.stream) == 1
    return title if alone or station not in line.stations else f"{title}, {inside(station_title(line, station))}"


def inside(title: str) -> str:
    """A title within a sentence: its first letter small, unless it is a title by itself or a name."""
    return title[:1].lower() + title[1:] if title[1:2].islower() else title
