"""What a set is worth when it works."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column."""
    op.add_column("cases", sa.Column("worth", sa.Float))


def downgrade() -> None:
    """Take it away."""
    op.drop_column("cases", "worth")
