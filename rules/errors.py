"""Everything this project raises on purpose.

* CuproscopeError        catch this at the edge (command line, page)
  * PhotoError           the photo can't answer; a person can act on the fix
  * ContractError        a value broke its own promise; a programmer's fault
  * RuleFileError        a rule sheet or findings file is wrong; says where
  * InstallError         a part of the program is missing or damaged; install it again
"""


class CuproscopeError(Exception):
    """Base of every error raised on purpose.

    ``where`` says which part of the input is at fault (a photo, a finding, a
    file and line), so that the edge can point at it without parsing text.
    """

    def __init__(self, message: str, *, where: str | None = None) -> None:
        super().__init__(message)
        self.message = message
        self.where = where

    def __str__(self) -> str:
        return f"{self.where}: {self.message}" if self.where else self.message


class PhotoError(CuproscopeError):
    """The photo can't answer the question.

    Attributes:
        code: Short machine-readable name of the fault, e.g. ``not_a_photo``.
        fix: What the person can do about it, in plain words.
        variant: Which of several wordings of that code it is; mostly empty.
    """

    def __init__(
        self, message: str, *, code: str, fix: str, where: str | None = None, variant: str = ""
    ) -> None:
        super().__init__(message, where=where)
        self.code = code
        self.fix = fix
        self.variant = variant


class ContractError(CuproscopeError):
    """A value broke the promise of its type."""


class RuleFileError(CuproscopeError):
    """A rule sheet or a findings file is wrong; every fault is in the message."""


class InstallError(CuproscopeError):
    """A part of the program is missing or damaged; ``where`` names its file.

    Attributes:
        code: As of a :class:`PhotoError`, so that an edge can show both alike.
        fix: What the person can do about it.
    """

    code = "part_missing"
    fix = "Install Cuproscope again."
