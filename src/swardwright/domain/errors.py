"""The one error tree: every error says what is wrong, where, with which value, and how to mend it."""

from __future__ import annotations


class SwardwrightError(Exception):
    """A problem that a person can understand and mend.

    Parameters
    ----------
    what : str
        One clear clause, without a full stop: what is wrong.
    where : str, optional
        File, topic, frame or step in which it was found.
    field : str, optional
        Name of the offending field, such as ``zones[0].polygon``.
    value : object, optional
        The offending value (shortened when printed).
    limit : object, optional
        What would have been acceptable.
    remedy : str, optional
        What to do about it: an imperative clause.
    """

    #: process exit status used by the command line: 2 is the user's to mend, 1 is ours.
    exit_status = 2

    def __init__(
        self,
        what: str,
        *,
        where: str | None = None,
        field: str | None = None,
        value: object = None,
        limit: object = None,
        remedy: str | None = None,
    ) -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.field = field
        self.value = value
        self.limit = limit
        self.remedy = remedy

    def __str__(self) -> str:
        return self.sentence()

    def sentence(self) -> str:
        """Return one sentence: where, field, what, value and limit."""
        place = ": ".join(part for part in (self.where, self.field) if part)
        text = f"{place}: {self.what}" if place else self.what
        notes = []
        if self.value is not None:
            shown = str(self.value)
            notes.append(f"found {shown if len(shown) <= 80 else shown[:77] + '...'}")
        if self.limit is not None:
            notes.append(f"expected {self.limit}")
        if notes:
            text += f" ({'; '.join(notes)})"
        return text if text.endswith(".") else text + "."

    def as_dict(self) -> dict[str, str | None]:
        """Return the carried data as plain strings, for ``--json``."""
        return {
            "error": type(self).__name__,
            "what": self.what,
            "where": self.where,
            "field": self.field,
            "value": None if self.value is None else str(self.value),
            "limit": None if self.limit is None else str(self.limit),
            "remedy": self.remedy,
        }


class InputError(SwardwrightError):
    """A file, field or option given by the user cannot be used."""


class RecordingError(InputError):
    """A recording cannot be read, or lacks what the job needs."""


class SiteError(InputError):
    """The site folder or its ``site.toml`` is wrong."""


class RobotModelError(InputError):
    """The robot's description (URDF, camera file) is wrong."""


class AxesError(SwardwrightError):
    """Two transforms or positions in mismatched axes were combined."""

    exit_status = 1


class StaleError(SwardwrightError):
    """A stored result was made from inputs that have changed since, or an earlier step is missing."""


class RefusedError(SwardwrightError):
    """An interlock or a permit refuses what was asked."""


class RobotFaultError(SwardwrightError):
    """The robot did not do what it was told, or its report contradicts itself."""
