"""Every error that a person can meet: one root, one sentence each.

A message says what was wrong, where, and what to do. Nothing else may reach a
person: the command line prints the message of a :class:`TreadleError` and
leaves with its ``exit_code``.
"""


class TreadleError(Exception):
    """The root of all errors that are meant for a person's eyes."""

    exit_code = 1


class PlanError(TreadleError, ValueError):
    """Raised when a strip or print can't be made from what was asked for."""

    exit_code = 2


class FormatError(TreadleError, ValueError):
    """Raised when a programme's text or a configuration file is refused; names line or field."""

    exit_code = 2


class UnknownNameError(TreadleError, LookupError):
    """Raised when no programme, version or sheet has the name or number given."""

    exit_code = 3


class NameClashError(TreadleError):
    """Raised when a name is taken already."""

    exit_code = 3


class StoreError(TreadleError):
    """Raised when the database can't be opened, read or written; nothing in it was changed."""

    exit_code = 4


class RefusedError(TreadleError):
    """Raised when the enlarger's present state does not allow what was asked for."""

    exit_code = 5


class ServiceError(TreadleError):
    """Raised when the daemon can't start or can't be reached."""

    exit_code = 6


class KeeperError(TreadleError):
    """Raised when the keeper can't be started or does not answer."""

    exit_code = 7
