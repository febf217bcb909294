"""The one exception for what a user can put right."""


class UserError(Exception):
    """Something the user must change, told in one plain sentence.

    Parameters
    ----------
    what : what is wrong.
    where : the file, with row or key, or the photo or card ("" when nothing more can be said).
    remedy : what to do about it.

    >>> print(UserError("the width 'abc' is not a number", "sheet.csv, row 4", "type millimetres"))
    sheet.csv, row 4: the width 'abc' is not a number; type millimetres.
    """

    def __init__(self, what: str, where: str = "", remedy: str = "") -> None:
        self.what = what
        self.where = where
        self.remedy = remedy
        head = f"{where}: " if where else ""
        tail = f"; {remedy}" if remedy else ""
        super().__init__(f"{head}{what}{tail}.")
