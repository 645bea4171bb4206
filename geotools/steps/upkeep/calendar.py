"""The upkeep plan as an iCalendar file (RFC 5545) for any calendar program."""

from __future__ import annotations

import uuid
from collections.abc import Collection, Iterable
from datetime import UTC, date, datetime, time, timedelta
from itertools import groupby

from icalendar import Alarm, Calendar, Event

from geotools.plan import cautions
from geotools.steps.upkeep.kernel import Visit

__all__ = ["calendar_bytes"]

# a fixed name space makes the same visit carry the same UID in every run, so that a second import updates it
_NAMESPACE = uuid.uuid5(uuid.NAMESPACE_URL, "geotools-perimeter/upkeep")


def calendar_bytes(
    visits: Iterable[Visit],
    site: str,
    stamp: date,
    *,
    alarm_days: int = 7,
    done: Collection[Visit] = (),
    state: str = "",
) -> bytes:
    """All-day events, one for each day and task, naming the heads or zones to visit.

    An event keeps its UID when the plan is made anew, also where its day has moved with the start of the plan: a
    calendar that takes the file in again moves it and does not double it.

    stamp : the day the plan starts, written as DTSTAMP so that equal plans give equal bytes.
    alarm_days : a reminder so many days ahead; 0 = none. done : visits that are on record as done. state :
    whose heads and zones these are, as every paper says it.
    """
    finished = frozenset(done)
    calendar = Calendar()
    calendar.add("prodid", "-//geotools-perimeter//upkeep plan//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    # a name of several lines would break the line it stands on: no text property of the standard, so nothing escapes it
    calendar.add("x-wr-calname", " ".join(f"Upkeep: {site}".split()))
    moment = datetime.combine(stamp, time(), UTC)
    told: dict[str, int] = {}
    for (day, task), group in groupby(sorted(visits), key=lambda v: (v.day, v.task)):
        batch = list(group)
        kind = f"{batch[0].scope}s" if len(batch) > 1 else batch[0].scope
        event = Event()
        turn = f"{site}/{batch[0].occurrence or day.isoformat()}/{task}"
        # a turn that takes the crew several days has an event for each
        told[turn] = told.get(turn, 0) + 1
        name = turn if told[turn] == 1 else f"{turn}/day {told[turn]}"
        event.add("uid", str(uuid.uuid5(_NAMESPACE, name)))
        event.add("dtstamp", moment)
        event.add("dtstart", day)
        event.add("dtend", day + timedelta(days=1))
        left = sum(v not in finished for v in batch)
        note = "" if left == len(batch) else " (done)" if left == 0 else f" ({left} left to do)"
        event.add("summary", f"{task[:1].upper()}{task[1:]}: {len(batch)} {kind}{note}")
        hours = sum(v.minutes for v in batch) / 60.0
        places = ", ".join(v.place for v in batch)
        event.add(
            "description",
            f"{batch[0].instruction}\n{kind}: {places}\nAbout {hours:.1f} h for one person.\n"
            f"{f'Heads and zones of the {state}.' if state else ''}\n{cautions.EXPOSURE} {cautions.SENSITIVE}",
        )
        event.add("categories", [task])
        event.add("transp", "TRANSPARENT")
        if alarm_days:
            alarm = Alarm()
            alarm.add("action", "DISPLAY")
            alarm.add("description", f"{task}: in {alarm_days} days")
            alarm.add("trigger", timedelta(days=-alarm_days))
            event.add_component(alarm)
        calendar.add_component(event)
    return bytes(calendar.to_ical())
