"""Customers, cases, photos."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the tables."""
    op.create_table(
        "customers",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("contact", sa.Text, nullable=False),
        sa.Column("consent", sa.Boolean, nullable=False),
        sa.Column("search_text", sa.Text, nullable=False),
        sa.Column("created", sa.String(32), nullable=False),
        sa.Column("updated", sa.String(32), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_customers"),
    )
    op.create_table(
        "cases",
        sa.Column("id", sa.String(32), nullable=False),
        sa.Column("customer_id", sa.String(32)),
        sa.Column("label", sa.Text, nullable=False),
        sa.Column("size_inch", sa.Float),
        sa.Column("notes", sa.Text, nullable=False),
        sa.Column("symptom", sa.String(32), nullable=False),
        sa.Column("observations", sa.JSON, nullable=False),
        sa.Column("done_tests", sa.JSON, nullable=False),
        sa.Column("advice", sa.JSON),
        sa.Column("verdict", sa.String(32), nullable=False),
        sa.Column("outcome_assembly", sa.String(32)),
        sa.Column("outcome_fault", sa.Text),
        sa.Column("outcome_symptom", sa.String(32)),
        sa.Column("outcome_notes", sa.Text),
        sa.Column("costs", sa.JSON, nullable=False),
        sa.Column("search_text", sa.Text, nullable=False),
        sa.Column("created", sa.String(32), nullable=False),
        sa.Column("updated", sa.String(32), nullable=False),
        sa.Column("closed", sa.String(32)),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_cases"),
        sa.ForeignKeyConstraint(
            ["customer_id"], ["customers.id"], name="fk_cases_customer_id", ondelete="CASCADE"
        ),
    )
    op.create_index("ix_cases_customer_id", "cases", ["customer_id"])
    op.create_index("ix_cases_updated", "cases", ["updated"])
    op.create_index("ix_cases_closed", "cases", ["closed"])
    op.create_table(
        "photos",
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("extension", sa.String(4), nullable=False),
        sa.Column("size_bytes", sa.BigInteger, nullable=False),
        sa.Column("width", sa.Integer, nullable=False),
        sa.Column("height", sa.Integer, nullable=False),
        sa.Column("created", sa.String(32), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name="pk_photos"),
    )
    op.create_table(
        "case_photos",
        sa.Column("case_id", sa.String(32), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("position", sa.Integer, nullable=False),
        sa.Column("source_sha256", sa.String(64), nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("examination", sa.JSON),
        sa.PrimaryKeyConstraint("case_id", "sha256", name="pk_case_photos"),
        sa.ForeignKeyConstraint(
            ["case_id"], ["cases.id"], name="fk_case_photos_case_id", ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["sha256"], ["photos.sha256"], name="fk_case_photos_sha256", ondelete="RESTRICT"
        ),
    )
    op.create_index("ix_case_photos_sha256", "case_photos", ["sha256"])
    op.create_table(
        "photo_removals",
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("extension", sa.String(4), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name="pk_photo_removals"),
    )


def downgrade() -> None:
    """Drop the tables, and with them every case."""
    for table in ("photo_removals", "case_photos", "photos", "cases", "customers"):
        op.drop_table(table)
