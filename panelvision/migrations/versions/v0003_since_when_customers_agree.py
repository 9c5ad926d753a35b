"""Since when a customer agrees, or does not, to the use of the photos."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; of customers that are there already it is not known."""
    op.add_column("customers", sa.Column("consent_set", sa.String(32)))


def downgrade() -> None:
    """Take it away."""
    op.drop_column("customers", "consent_set")
