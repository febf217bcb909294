"""The one exception for what a user can put right."""

from targets.said import Said, fixed, say

SYSTEM_REASONS = (
    say("Directory not empty"),
    say("File exists"),
    say("Input/output error"),
    say("Is a directory"),
    say("No such file or directory"),
    say("No space left on device"),
    say("Not a directory"),
    say("Permission denied"),
    say("Read-only file system"),
)
"""What POSIX systems say of files most often; what else they say is told as it is."""


def system_reason(error: OSError) -> Said:
    """Why the system refused.

    >>> system_reason(FileNotFoundError(2, "No such file or directory"))
    'No such file or directory'
    """
    return fixed(error.strerror or str(error))


class UserError(Exception):
    """Something the user must change, told in one plain sentence.

    Each part is a sentence of the program or one made with ``say``, so that the whole can be told
    in another language; names and paths stay what they are.

    Parameters
    ----------
    what : what is wrong.
    where : the file, with row or key, or the photo or card ("" when nothing more can be said).
    remedy : what to do about it.

    Attributes
    ----------
    sentence : the whole.

    >>> print(UserError("the width 'abc' is not a number", "sheet.csv, row 4", "type millimetres"))
    sheet.csv, row 4: the width 'abc' is not a number; type millimetres.
    """

    sentence: Said

    def __init__(self, what: str, where: str = "", remedy: str = "") -> None:
        self.what = fixed(what)
        self.where = where
        self.remedy = fixed(remedy)
        pattern = ("{where}: " if where else "") + "{what}" + ("; {remedy}" if remedy else "") + "."
        self.sentence = say(pattern, what=self.what, where=where, remedy=self.remedy)
        super().__init__(self.sentence)
