"""Every error that lowhalf raises on purpose.

    LowhalfError
    ├── SchemaError        a schema file is wrong
    ├── BridgeFileError    a bridge file is wrong
    ├── LayoutFileError    a layout file is wrong
    ├── ExpectFileError    a file of expectations is wrong
    ├── PlanFileError      a plan file is wrong, or made for another schema
    ├── PackError          a pack is damaged, unsafe, or something else; or cannot be made
    ├── ExpressionError    a watch's expression is wrong
    ├── SourceError        a source failed
    │   ├── SourceUnusable   damaged, or not what was declared; trying again is no use
    │   ├── SourceLost       not there, or no longer; trying again may help
    │   └── SourceEnded      everything that it had has been given
    ├── OutputError        an output failed
    │   └── StreamFailed     what it writes to is closed or full; another try is no use
    ├── PlanningError      what a plan is asked for cannot be planned at all
    ├── ExtensionError     what an installed package of somebody else's adds is wrong
    ├── TooManyQuestions   a page asks what there is no room for
    ├── NoSuchPast         a page asks for a recording that is not there, or no longer
    └── PastNotReady       a page asks for a moment of one that is yet to be evaluated

The leaves follow the phases of a run.  What the message says also stands in attributes, so that a
program need not parse it.  Messages are lower case without a final stop: what, where, expected
against found, and the next step where there is one.
"""

from __future__ import annotations

from schemas.seen_letters import all_seen
from schemas.system_words import system_words

__all__ = [
    "BridgeFileError",
    "ExpectFileError",
    "ExpressionError",
    "ExtensionError",
    "FileError",
    "LayoutFileError",
    "LowhalfError",
    "NoSuchPast",
    "OutputError",
    "PackError",
    "PastNotReady",
    "PlanFileError",
    "PlanningError",
    "SchemaError",
    "SourceEnded",
    "SourceError",
    "SourceLost",
    "SourceUnusable",
    "StreamFailed",
    "TooManyQuestions",
    "shortened",
]


class LowhalfError(Exception):
    """Root of all errors raised on purpose."""


class FileError(LowhalfError):
    """A fault in one of the TOML files.

    ``file`` is the file's name as given, ``key`` the dotted path of the key, and ``line`` counts
    from 1 (0 where it is unknown).
    """

    def __init__(self, message: str, *, file: str = "", key: str = "", line: int = 0) -> None:
        self.file = file
        self.key = key
        self.line = line
        message = shortened(message, 1200)
        key = shortened(key, 200)
        self.detail = message
        place = f"{file}:{line}" if file and line else file
        super().__init__(": ".join(part for part in (place, key, message) if part))


class SchemaError(FileError):
    """A schema file is wrong."""


class BridgeFileError(FileError):
    """A bridge file is wrong."""


class LayoutFileError(FileError):
    """A layout file is wrong."""


class ExpectFileError(FileError):
    """A file of expectations is wrong."""


class PlanFileError(FileError):
    """A plan file is wrong, or was made for another game or another schema."""


class PackError(LowhalfError):
    """A pack is damaged, unsafe or something else, or cannot be made of what it is to hold.

    ``pack`` is the file's name as given, ``member`` the file in it, where one is at fault.
    """

    def __init__(self, message: str, *, pack: str = "", member: str = "") -> None:
        self.pack = pack
        self.member = shortened(member, 200)
        self.detail = shortened(message, 1200)
        super().__init__(": ".join(part for part in (pack, self.member, self.detail) if part))


class ExpressionError(LowhalfError):
    """An expression is refused at load.

    ``expression`` is the whole text, ``column`` counts characters from 0 and ``watch`` is the
    watch's name where it has one.
    """

    def __init__(self, message: str, *, expression: str, column: int = 0, watch: str = "") -> None:
        message = shortened(message, 240)
        self.detail = message
        self.expression = expression
        self.column = column
        self.watch = watch
        shown, caret = _window(expression, column)
        head = f"watch {watch}: {message}" if watch else message
        super().__init__(f"{head}\n    {shown}\n    {' ' * caret}^")


class SourceError(LowhalfError):
    """A source failed.

    ``source`` names it, ``address`` is the guest address and ``length`` the count of bytes, where
    these are known.
    """

    def __init__(
        self,
        message: str,
        *,
        source: str = "",
        address: int | None = None,
        length: int | None = None,
    ) -> None:
        self.source = source
        self.address = address
        self.length = length
        self.detail = message
        super().__init__(f"{source}: {message}" if source else message)


class SourceUnusable(SourceError):
    """What the source holds is damaged or not what was declared: trying again is no use."""


class SourceLost(SourceError):
    """The source is not there, or no longer: trying again may help."""


class SourceEnded(SourceError):
    """Everything that it had has been given, as when a recording that is not repeated ends."""


class OutputError(LowhalfError):
    """An output failed.  ``output`` names it."""

    def __init__(self, message: str, *, output: str = "") -> None:
        self.output = output
        self.detail = message
        super().__init__(f"{output}: {message}" if output else message)


class StreamFailed(OutputError):
    """The stream that an output writes to is closed or full.

    ``unread`` is whether a reader has closed its end of a pipe, which ends a pipeline on purpose.
    """

    def __init__(self, failure: OSError | ValueError, *, output: str = "") -> None:
        self.unread = isinstance(failure, BrokenPipeError)
        strerror = system_words(failure) if isinstance(failure, OSError) else None
        reason = strerror.lower() if strerror else str(failure)
        words = "the reader has closed its end" if self.unread else f"cannot write: {reason}"
        super().__init__(words, output=output)


class ExtensionError(LowhalfError):
    """What an installed package adds is wrong, or has a name that is taken.

    ``package`` is the package's name and version, ``entry`` the name of what it adds.
    """

    def __init__(self, message: str, *, package: str, entry: str) -> None:
        self.package = package
        self.entry = entry
        self.detail = shortened(message, 400)
        super().__init__(f"package {package}: {self.detail}")


def shortened(text: str, most: int) -> str:
    """*text* with its middle left out where it is longer than *most* characters."""
    if len(text) <= most:
        return text
    half = (most - 1) // 2
    return f"{text[:half]}…{text[-half:]}"


def _window(text: str, column: int, width: int = 76) -> tuple[str, int]:
    """A part of *text* around *column* that fits a line, and the column within it."""
    text = "".join(c if all_seen(c) else " " for c in text)
    if len(text) <= width:
        return text, column
    start = max(0, min(column - width // 2, len(text) - width))
    return text[start : start + width], column - start


class TooManyQuestions(LowhalfError):
    """No further question about the running game can be open at the same time."""


class PlanningError(LowhalfError):
    """What a plan is asked for cannot be planned: something is unknown or passes a bound."""


class NoSuchPast(LowhalfError):
    """There is nothing recorded of that name to look at, or nothing any more."""


class PastNotReady(LowhalfError):
    """What was recorded cannot be looked at just now; trying again helps."""
