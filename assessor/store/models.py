"""Tables of the job record: entries that are only ever added, the stored files they name, and which names which.

The same models serve SQLite and PostgreSQL. `migrations` makes them; a test holds the two together. A change to a table
is a new migration, never an edit of an old one.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    MetaData,
    String,
    Text,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

# The newest migration. An open store that is there already needs no Alembic, which takes a while to import.
REVISION = "0001"


class Base(DeclarativeBase):
    """Base of all tables; names of constraints are fixed so that later migrations can find them."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )


class EntryRow(Base):
    """One sealed entry. kind to work_key repeat what the content says, for queries; the hash is over `content`."""

    __tablename__ = "entry"
    __table_args__ = (
        CheckConstraint("number >= 1", name="number"),
        CheckConstraint("who <> '' AND at_utc <> '' AND tool <> ''", name="stamped"),
        CheckConstraint("length(previous) = 64 AND length(digest) = 64", name="sealed"),
        Index("ix_entry_kind", "job", "kind", "number"),
        Index("ix_entry_zone", "job", "zone", "spot", "number"),
        Index("ix_entry_capture", "job", "capture", "kind", "number"),
    )

    job: Mapped[str] = mapped_column(Text, primary_key=True)
    number: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    kind: Mapped[str] = mapped_column(String(40))
    zone: Mapped[int | None] = mapped_column(Integer)
    spot: Mapped[int | None] = mapped_column(Integer)
    capture: Mapped[str | None] = mapped_column(Text)
    work_key: Mapped[str | None] = mapped_column(Text)
    content: Mapped[str] = mapped_column(Text)
    who: Mapped[str] = mapped_column(Text)
    role: Mapped[str] = mapped_column(String(20))
    place: Mapped[str] = mapped_column(String(20))
    at_utc: Mapped[str] = mapped_column(String(40))
    offset_min: Mapped[int] = mapped_column(Integer)
    tool: Mapped[str] = mapped_column(Text)
    model: Mapped[str] = mapped_column(Text)
    scale: Mapped[str] = mapped_column(Text)
    settings: Mapped[str] = mapped_column(Text)
    previous: Mapped[str] = mapped_column(String(64))
    digest: Mapped[str] = mapped_column(String(64))


class KeptRow(Base):
    """A stored file. name: as it first came; at_utc: when."""

    __tablename__ = "kept"
    __table_args__ = (
        CheckConstraint("length(sha256) = 64", name="sha256"),
        CheckConstraint("bytes >= 0", name="bytes"),
    )

    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    bytes: Mapped[int] = mapped_column(BigInteger)
    name: Mapped[str] = mapped_column(Text)
    at_utc: Mapped[str] = mapped_column(String(40))


class EntryFileRow(Base):
    """An entry names a stored file."""

    __tablename__ = "entry_file"
    __table_args__ = (
        ForeignKeyConstraint(["job", "number"], ["entry.job", "entry.number"]),
        Index("ix_entry_file_sha256", "sha256"),
    )

    job: Mapped[str] = mapped_column(Text, primary_key=True)
    number: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    sha256: Mapped[str] = mapped_column(String(64), ForeignKey("kept.sha256"), primary_key=True)
