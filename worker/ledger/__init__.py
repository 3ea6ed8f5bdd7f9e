"""The truth about jobs, fabs and keys, in SQL. A message of the broker only says that it is worth looking here."""

from __future__ import annotations

from worker.ledger.audit import Audit
from worker.ledger.collections import Collections
from worker.ledger.contents import Contents
from worker.ledger.database import Database
from worker.ledger.expiry import Expiry
from worker.ledger.fabs import Fabs
from worker.ledger.figures import Figures
from worker.ledger.jobs import Jobs
from worker.ledger.keys import Keys
from worker.ledger.links import Links


class Ledger:
    """Jobs, collections, fabs, keys, links and the audit trail of one database.

    Parameters
    ----------
    url : SQLAlchemy URL, SQLite or PostgreSQL.
    lease_seconds : a job that has given no sign of life for so long is given to another worker.
    attempts : a job that has lost its worker so often fails.
    program : which revision of the program makes the results that this process publishes, and takes over.
    pooled : False keeps no connection open between calls, so that the process may fork.
    """

    def __init__(
        self, url: str, *, lease_seconds: float = 12.0, attempts: int = 3, program: str = "", pooled: bool = True
    ) -> None:
        self.database = Database(url, pooled=pooled)
        self.jobs = Jobs(self.database, lease_seconds=lease_seconds, attempts=attempts, program=program)
        self.collections = Collections(self.database, program=program)
        self.fabs = Fabs(self.database)
        self.contents = Contents(self.database)
        self.expiry = Expiry(self.database)
        self.keys = Keys(self.database)
        self.links = Links(self.database)
        self.audit = Audit(self.database)
        self.figures = Figures(self.database)

    def migrate(self) -> None:
        """Bring the tables to this version; safe when several processes do so at once."""
        self.database.migrate()

    def check(self) -> None:
        """Raise UnavailableError when the database does not answer."""
        self.database.check()

    def close(self) -> None:
        """Close every connection."""
        self.database.close()
