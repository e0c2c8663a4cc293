"""What the station must not forget: journal, load records, and what a restart needs. One SQLite file.

Records in, one durable transaction each time; records out, in order. It changes no journal record ever: the database
itself refuses to, and every record carries the hash of the one before, so that an altered byte is found and placed.
It decides nothing: what is written before a command and what after is the engine's business.

The chain: hash = SHA-256 of the previous hash (64 zeros before the first) and the record's canonical JSON. The
newest hash is kept beside the journal, so that a journal which lost its end is found too. The chain shows what was
altered by accident or by someone who does not know it; it is no signature.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import sqlite3
import stat
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, TypeAlias
from urllib.parse import quote

from sqlalchemy import (
    DDL,
    JSON,
    BigInteger,
    Column,
    Connection,
    Engine,
    Integer,
    MetaData,
    Table,
    Text,
    create_engine,
    event,
    func,
    select,
    text,
)
from sqlalchemy.exc import DBAPIError, SQLAlchemyError
from sqlalchemy.pool import StaticPool

from sidetap.errors import BadInput
from sidetap.station.loads import Load, load_from

Json: TypeAlias = Any  # what json.dumps takes

FIRST_HASH = "0" * 64
HEAD = "journal-head"  # the key under which the newest record's number and hash are kept
BUSY_S = 2.0  # a reader of the journal may make a write wait so long at most

_tables = MetaData()
_journal = Table(
    "journal",
    _tables,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("utc_ns", BigInteger, nullable=False),
    Column("mono_ns", BigInteger, nullable=False),
    Column("kind", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("prev", Text, nullable=False),
    Column("hash", Text, nullable=False),
)
_loads = Table(
    "loads",
    _tables,
    Column("ticket", Integer, primary_key=True, autoincrement=False),
    Column("bay", Text, nullable=False),
    Column("person", Text, nullable=False),
    Column("vessels", JSON, nullable=False),
    Column("started_utc_ns", BigInteger, nullable=False),
    Column("ended_utc_ns", BigInteger),
    Column("outcome", Text),
    Column("interruptions", Integer, nullable=False),
    Column("account_share", Text, nullable=False),
    Column("openings", JSON, nullable=False),
)
_kept = Table("kept", _tables, Column("key", Text, primary_key=True), Column("value", JSON, nullable=False))

for _change in ("UPDATE", "DELETE"):
    event.listen(
        _journal,
        "after_create",
        DDL(  # type: ignore[no-untyped-call]  # the library gives it no types
            f"CREATE TRIGGER journal_never_{_change.lower()} BEFORE {_change} ON journal "
            "BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END"
        ).execute_if(dialect="sqlite"),
    )


class StoreFailed(Exception):
    """A write did not become durable; nothing of it is kept. For the engine: it closes, and opens nothing."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One record to be journalled. subject: a tag, or "station"; who: a person, "panel" or "station"."""

    utc_ns: int
    mono_ns: int
    kind: str
    subject: str
    who: str
    what: Mapping[str, Json]


@dataclass(frozen=True, slots=True)
class Record:
    """One record of the journal as it stands there; what is JSON text."""

    seq: int
    utc_ns: int
    mono_ns: int
    kind: str
    subject: str
    who: str
    what: str
    prev: str
    hash: str

    def computed_hash(self, prev: str) -> str:
        """Return the hash this record should carry after one whose hash is prev."""
        body = [self.seq, self.utc_ns, self.mono_ns, self.kind, self.subject, self.who, self.what]
        return hashlib.sha256((prev + json.dumps(body, ensure_ascii=True)).encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class Audit:
    """What a walk along the chain found; first_bad is the number of the first record that is not as it was."""

    ok: bool
    records: int
    first_bad: int | None


class Store:
    """An open store. Every ``write`` is one transaction on disk (WAL, synchronous=FULL) before it returns."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        # one connection for the store's life: a pool would hide the close that must come at the end
        self._connection = engine.connect()
        self._seq, self._hash = self._last()

    @classmethod
    def open(cls, path: Path) -> Store:
        """Open a store for writing, made new where there is none; BadInput where that can't be."""
        _require_plain_file(path, missing_ok=True)
        engine = create_engine(
            f"sqlite:///{path}",
            poolclass=StaticPool,
            connect_args={"timeout": BUSY_S, "isolation_level": None},
        )
        event.listen(engine, "connect", _set_up)
        event.listen(engine, "begin", _begin)
        try:
            with engine.begin() as connection:
                _tables.create_all(connection)
            return cls(engine)
        except SQLAlchemyError as problem:
            engine.dispose()
            raise BadInput(str(path), f"it can't be used as a store ({_plain(problem)})", _OTHER_FILE) from problem

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()
        self._engine.dispose()

    def write(
        self,
        entries: Sequence[Entry] = (),
        kept: Mapping[str, Json] | None = None,
        loads: Iterable[Load] = (),
    ) -> None:
        """Append entries, keep values and load records, all or nothing, durably; StoreFailed when it did not."""
        seq, last_hash = self._seq, self._hash
        try:
            with self._connection.begin():
                for entry in entries:
                    seq += 1
                    record = _chained(seq, last_hash, entry)
                    last_hash = record.hash
                    self._connection.execute(_journal.insert().values(asdict(record)))
                for key, value in {**(kept or {}), HEAD: [seq, last_hash]}.items():
                    self._replace(_kept, _kept.c.key == key, {"key": key, "value": value})
                for load in loads:
                    self._replace(_loads, _loads.c.ticket == load.ticket, asdict(load))
        except SQLAlchemyError as problem:
            self._roll_back()
            raise StoreFailed(_plain(problem)) from problem
        self._seq, self._hash = seq, last_hash

    def kept(self) -> dict[str, Json]:
        """Return everything kept, by key."""
        with self._connection.begin():
            return {row.key: row.value for row in self._connection.execute(select(_kept))}

    def loads(self) -> list[Load]:
        """Return every load record, by ticket."""
        with self._connection.begin():
            rows = self._connection.execute(select(_loads).order_by(_loads.c.ticket)).mappings().all()
        return [load_from(dict(row)) for row in rows]

    def load(self, ticket: int) -> Load | None:
        """Return the load record of a ticket, None when there is none."""
        with self._connection.begin():
            row = self._connection.execute(select(_loads).where(_loads.c.ticket == ticket)).mappings().first()
        return None if row is None else load_from(dict(row))

    def journal(self) -> list[Record]:
        """Return every record, in order."""
        with self._connection.begin():
            return list(_records(self._connection))

    def audit(self) -> Audit:
        """Walk along the chain."""
        with self._connection.begin():
            return _audit(self._connection)

    def _roll_back(self) -> None:
        """End a transaction that a failed commit has left open, so that the next one can begin."""
        driver = self._connection.connection.dbapi_connection
        if driver is not None:
            with contextlib.suppress(sqlite3.Error):
                driver.rollback()

    def _replace(self, table: Table, same: Any, values: Mapping[str, Json]) -> None:
        self._connection.execute(table.delete().where(same))
        self._connection.execute(table.insert().values(values))

    def _last(self) -> tuple[int, str]:
        with self._connection.begin():
            newest = select(_journal.c.seq, _journal.c.hash).order_by(_journal.c.seq.desc()).limit(1)
            row = self._connection.execute(newest).first()
        return (0, FIRST_HASH) if row is None else (row.seq, row.hash)


def read_journal(path: Path) -> tuple[list[Record], Audit]:
    """Read the journal of a store that may be in use, and audit it; nothing of the file is changed.

    BadInput when it is no store. A file too damaged to be read to its end gives the records before the damage.
    """
    with _looking(path) as connection:
        return _readable_records(connection), _audit(connection)


def read_loads(path: Path) -> list[Load]:
    """Read the load records of a store that may be in use, by ticket; nothing of the file is changed.

    BadInput when it is no store, or is damaged.
    """
    with _looking(path) as connection:
        rows = connection.execute(select(_loads).order_by(_loads.c.ticket)).mappings().all()
        return [load_from(dict(row)) for row in rows]


@contextlib.contextmanager
def _looking(path: Path) -> Iterator[Connection]:
    """Open a store only to read it; BadInput when it is none, or can't be read."""
    _require_plain_file(path, missing_ok=False)
    # a store left by a clean stop has no companion files, and none are to appear beside it
    mode = "mode=ro" if Path(f"{path}-wal").exists() else "immutable=1"
    engine = create_engine(
        "sqlite://",
        creator=lambda: sqlite3.connect(f"file:{quote(str(path.absolute()))}?{mode}", uri=True),
        poolclass=StaticPool,
    )
    try:
        with engine.connect() as connection:
            names = set(connection.execute(text("SELECT name FROM sqlite_master")).scalars())
            if not {"journal", "kept"} <= names:
                raise BadInput(str(path), "there is no journal in it", _OTHER_FILE)
            yield connection
    except _DAMAGE as problem:
        raise BadInput(str(path), f"it can't be read as a store ({_plain(problem)})", _OTHER_FILE) from problem
    finally:
        engine.dispose()


# what reading a damaged file comes to: SQLite's own complaint, text that is none, values of another type
_DAMAGE = (SQLAlchemyError, ValueError, TypeError)
_OTHER_FILE = "Name the station.db of a station's state directory."


def _chained(seq: int, prev: str, entry: Entry) -> Record:
    what = json.dumps(dict(entry.what), sort_keys=True, ensure_ascii=True, allow_nan=False)
    bare = Record(seq, entry.utc_ns, entry.mono_ns, entry.kind, entry.subject, entry.who, what, prev, "")
    values = {name: getattr(bare, name) for name in _journal.columns.keys()}  # noqa: SIM118  (a table's, not a dict's)
    return Record(**{**values, "hash": bare.computed_hash(prev)})


def _records(connection: Connection) -> Iterator[Record]:
    for row in connection.execute(select(_journal).order_by(_journal.c.seq)).mappings():
        yield Record(**row)


def _readable_records(connection: Connection) -> list[Record]:
    records: list[Record] = []
    try:
        records.extend(_records(connection))
    except _DAMAGE:
        return records[:]
    return records


def _audit(connection: Connection) -> Audit:
    records, prev = 0, FIRST_HASH
    try:
        for record in _records(connection):
            if record.seq != records + 1 or record.prev != prev or record.hash != record.computed_hash(prev):
                total = connection.execute(select(func.count()).select_from(_journal)).scalar_one()
                return Audit(False, total, records + 1)
            records, prev = records + 1, record.hash
        head = connection.execute(select(_kept.c.value).where(_kept.c.key == HEAD)).scalar()
    except _DAMAGE:
        return Audit(False, records, records + 1)
    if records and head != [records, prev]:
        return Audit(False, records, records + 1)
    return Audit(True, records, None)


def _set_up(connection: sqlite3.Connection, _record: object) -> None:
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")


def _begin(connection: Connection) -> None:
    # the driver's own transactions start late and end early; ours are explicit, and take the write lock at once
    connection.exec_driver_sql("BEGIN IMMEDIATE")


def _require_plain_file(path: Path, missing_ok: bool) -> None:
    try:
        mode = os.stat(path).st_mode
    except FileNotFoundError:
        if missing_ok:
            return
        raise BadInput(str(path), "there is no such file", _OTHER_FILE) from None
    if not stat.S_ISREG(mode):
        raise BadInput(str(path), "it is not a plain file", _OTHER_FILE)


def _plain(problem: Exception) -> str:
    origin = problem.orig if isinstance(problem, DBAPIError) else problem
    return str(origin).strip().rstrip(".") or type(origin).__name__
