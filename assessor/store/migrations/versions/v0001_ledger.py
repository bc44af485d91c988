"""The ledger: entries, kept files, and guards of the database itself against changing or losing a row."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

TABLES = ("entry", "kept", "entry_file")
START = "0" * 64


def upgrade() -> None:
    """Make the three tables and their guards."""
    _tables()
    if op.get_bind().dialect.name == "sqlite":
        _sqlite_guards()
    else:
        _postgresql_guards()


def downgrade() -> None:
    """There is no way back: the record only grows. Restore a backup instead."""
    raise NotImplementedError


def _tables() -> None:
    op.create_table(
        "entry",
        sa.Column("job", sa.Text(), nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("zone", sa.Integer()),
        sa.Column("spot", sa.Integer()),
        sa.Column("capture", sa.Text()),
        sa.Column("work_key", sa.Text()),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("role", sa.String(20), nullable=False),
        sa.Column("place", sa.String(20), nullable=False),
        sa.Column("at_utc", sa.String(40), nullable=False),
        sa.Column("offset_min", sa.Integer(), nullable=False),
        sa.Column("tool", sa.Text(), nullable=False),
        sa.Column("model", sa.Text(), nullable=False),
        sa.Column("scale", sa.Text(), nullable=False),
        sa.Column("settings", sa.Text(), nullable=False),
        sa.Column("previous", sa.String(64), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.CheckConstraint("number >= 1", name="number"),
        sa.CheckConstraint("who <> '' AND at_utc <> '' AND tool <> ''", name="stamped"),
        sa.CheckConstraint("length(previous) = 64 AND length(digest) = 64", name="sealed"),
        sa.PrimaryKeyConstraint("job", "number", name="pk_entry"),
    )
    op.create_index("ix_entry_kind", "entry", ["job", "kind", "number"])
    op.create_index("ix_entry_zone", "entry", ["job", "zone", "spot", "number"])
    op.create_index("ix_entry_capture", "entry", ["job", "capture", "kind", "number"])
    op.create_table(
        "kept",
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("bytes", sa.BigInteger(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("at_utc", sa.String(40), nullable=False),
        sa.CheckConstraint("length(sha256) = 64", name="sha256"),
        sa.CheckConstraint("bytes >= 0", name="bytes"),
        sa.PrimaryKeyConstraint("sha256", name="pk_kept"),
    )
    op.create_table(
        "entry_file",
        sa.Column("job", sa.Text(), nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.ForeignKeyConstraint(["job", "number"], ["entry.job", "entry.number"], name="fk_entry_file_entry"),
        sa.ForeignKeyConstraint(["sha256"], ["kept.sha256"], name="fk_entry_file_kept"),
        sa.PrimaryKeyConstraint("job", "number", "sha256", name="pk_entry_file"),
    )
    op.create_index("ix_entry_file_sha256", "entry_file", ["sha256"])


def _sqlite_guards() -> None:
    for table in TABLES:
        for change in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{change.lower()} BEFORE {change} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, 'the record only grows: no {change} of {table}'); END"
            )
    # INSERT OR REPLACE deletes without asking the guard above, so a row that is there already may not come again.
    op.execute(
        "CREATE TRIGGER kept_no_replace BEFORE INSERT ON kept "
        "WHEN EXISTS (SELECT 1 FROM kept WHERE sha256 = NEW.sha256) "
        "BEGIN SELECT RAISE(ABORT, 'the record only grows: this file is kept already'); END"
    )
    op.execute(
        f"CREATE TRIGGER entry_in_order BEFORE INSERT ON entry WHEN {_out_of_order()} "
        "BEGIN SELECT RAISE(ABORT, 'the record only grows: this entry does not follow the last one'); END"
    )


def _postgresql_guards() -> None:
    op.execute(
        "CREATE FUNCTION record_only_grows() RETURNS trigger LANGUAGE plpgsql AS $$ "
        "BEGIN RAISE EXCEPTION 'the record only grows: no % of %', TG_OP, TG_TABLE_NAME; END $$"
    )
    op.execute(
        "CREATE FUNCTION entry_in_order() RETURNS trigger LANGUAGE plpgsql AS $$ "
        f"BEGIN IF {_out_of_order()} THEN "
        "RAISE EXCEPTION 'the record only grows: this entry does not follow the last one'; END IF; RETURN NEW; END $$"
    )
    for table in TABLES:
        op.execute(
            f"CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION record_only_grows()"
        )
        op.execute(
            f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION record_only_grows()"
        )
    op.execute(
        "CREATE TRIGGER entry_in_order BEFORE INSERT ON entry FOR EACH ROW EXECUTE FUNCTION entry_in_order()"
    )


def _out_of_order() -> str:
    """True where the new row's number or previous hash is not what the job's last entry asks for."""
    return (
        "NEW.number <> 1 + coalesce((SELECT max(number) FROM entry WHERE job = NEW.job), 0) OR NEW.previous <> "
        f"coalesce((SELECT digest FROM entry WHERE job = NEW.job AND number = NEW.number - 1), '{START}')"
    )
