"""Reading single fields of a site document: values with units, percentages, instants; faults name their place."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from msgspec import Struct
from msgspec.structs import replace

from pqcheck.model.errors import SiteError
from pqcheck.model.units import UnitError, duration_us, quantity_of

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class Place(Struct, frozen=True):
    """Where in which document, for the sentences of errors; `zone` reads times without an offset."""

    source: str
    zone: ZoneInfo | None = None
    path: str = ""

    def __str__(self) -> str:
        """``heron.toml: supply.frequency``."""
        return f"{self.source}: {self.path}"

    def at(self, key: str) -> Place:
        """The place of a key below this one."""
        return replace(self, path=f"{self.path}.{key}" if self.path else key)

    def entry(self, number: int) -> Place:
        """The place of an entry of a list, counted from 1."""
        return replace(self, path=f"{self.path}[{number}]")

    def amount(
        self, section: Mapping[str, Any], key: str, unit: str, *, zero: bool = False
    ) -> Decimal | None:
        """A positive value with unit, in `unit`; None when the key is absent. SiteError otherwise."""
        if key not in section:
            return None
        return self.at(key).value(section[key], unit, zero=zero)

    def value(self, text: str, unit: str, *, zero: bool = False) -> Decimal:
        """A positive (with `zero`, not negative) value with unit, in `unit`."""
        try:
            value = quantity_of(text, unit)
        except UnitError as error:
            raise SiteError(f"{self}: {error}") from None
        if value < 0 or (value == 0 and not zero):
            raise SiteError(f"{self} = {text!r} must be {'zero or more' if zero else 'above zero'}")
        return value

    def percent(self, section: Mapping[str, Any], key: str, *, most: Decimal | None = None) -> Decimal | None:
        """Percent from a number or from a text such as ``"95 %"``; None when the key is absent."""
        if key not in section:
            return None
        here, given = self.at(key), section[key]
        value = here.value(given, "%", zero=True) if isinstance(given, str) else Decimal(str(given))
        if value < 0 or (most is not None and value > most):
            span = "zero or more" if most is None else f"between 0 and {most} %"
            raise SiteError(f"{here} = {given!r} must be {span}")
        return value

    def duration(self, section: Mapping[str, Any], key: str, *, signed: bool = False) -> int | None:
        """A duration in microseconds; None when the key is absent."""
        if key not in section:
            return None
        try:
            return duration_us(section[key], signed=signed)
        except UnitError as error:
            raise SiteError(f"{self.at(key)}: {error}") from None

    def instant(self, section: Mapping[str, Any], key: str) -> int:
        """UTC microseconds of an ISO 8601 stamp, in the site's zone unless it carries an offset.

        In the hour that occurs twice a stamp without offset means the first pass. SiteError without a zone, and for
        a time that the clocks skipped.
        """
        here, text = self.at(key), section[key]
        try:
            moment = datetime.fromisoformat(text)
        except ValueError:
            raise SiteError(f"{here} = {text!r} is not a time; write one such as 2031-03-04T10:00:00") from None
        if moment.tzinfo is None:
            if self.zone is None:
                raise SiteError(f"{here} = {text} has no offset and the site declares no time_zone; declare the zone "
                                "(an IANA name, Area/City), or write the offset behind the time")
            local = moment
            moment = local.replace(tzinfo=self.zone)
            if moment.astimezone(UTC).astimezone(self.zone).replace(tzinfo=None) != local:
                raise SiteError(f"{here} = {text} does not exist in {self.zone.key}: the clocks went forward over it")
        return (moment - _EPOCH) // timedelta(microseconds=1)

    def span(self, section: Mapping[str, Any]) -> tuple[int, int]:
        """`from` and `to` as UTC microseconds; SiteError when the end does not lie after the start."""
        start, end = self.instant(section, "from"), self.instant(section, "to")
        if end <= start:
            raise SiteError(f"{self} ends ({section['to']}) before or when it starts ({section['from']})")
        return start, end

    def day(self, section: Mapping[str, Any], key: str) -> str | None:
        """A calendar date as ISO text; None when the key is absent."""
        if key not in section:
            return None
        try:
            return date.fromisoformat(section[key]).isoformat()
        except ValueError:
            raise SiteError(f"{self.at(key)} = {section[key]!r} is not a date; write one such as 2031-03-04") from None
