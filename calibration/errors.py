"""The one exception for everything that a person can cause and mend."""

RECORD = 2
FILM = 3


class Problem(Exception):  # noqa: N818 - the trade's word; it is shown to people as a sentence
    """Something a person can mend: what is wrong, where, and what to do about it.

    Parameters
    ----------
    what : what is wrong, as a clause without a full stop.
    where : the place: file, key path, camera, frame.
    remedy : what to do, as an imperative clause without a full stop.
    status : exit status of the command: `RECORD` (2) when the record or the command line is
        wrong, `FILM` (3) when the analysis can't be done from these films.
    """

    def __init__(self, what: str, *, where: str, remedy: str, status: int = FILM) -> None:
        self.what = what
        self.where = where
        self.remedy = remedy
        self.status = status
        super().__init__(f"{where}: {what}; {remedy}.")
