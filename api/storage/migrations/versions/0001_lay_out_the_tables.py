"""Lay out the tables."""

from datetime import UTC, datetime

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "audit",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.Column("verb", sa.String(), nullable=False),
        sa.Column("subject", sa.String(), nullable=False),
        sa.Column("before", sa.JSON(), nullable=True),
        sa.Column("after", sa.JSON(), nullable=True),
        sa.Column("request_id", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_audit"),
    )
    op.create_table(
        "client",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("contact_name", sa.String(), nullable=False),
        sa.Column("contact_phone", sa.String(), nullable=False),
        sa.Column("contact_email", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_client"),
    )
    op.create_table(
        "clock_claim",
        sa.Column("job", sa.String(), nullable=False),
        sa.Column("slot", sa.DateTime(timezone=True), nullable=False),
        sa.Column("holder", sa.String(), nullable=False),
        sa.Column("claimed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("lease_until", sa.DateTime(timezone=True), nullable=False),
        sa.Column("finished_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("failure", sa.String(), nullable=True),
        sa.PrimaryKeyConstraint("job", "slot", name="pk_clock_claim"),
    )
    op.create_table(
        "company",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("zone", sa.String(), nullable=False),
        sa.Column("currency", sa.String(), nullable=False),
        sa.Column("holiday_country", sa.String(), nullable=False),
        sa.Column("holiday_subdivision", sa.String(), nullable=True),
        sa.Column("workshop_lat", sa.Float(), nullable=False),
        sa.Column("workshop_lon", sa.Float(), nullable=False),
        sa.Column("barriers", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_company"),
    )
    op.create_table(
        "idempotency",
        sa.Column("principal", sa.String(), nullable=False),
        sa.Column("operation", sa.String(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("body_hash", sa.String(), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("reply", sa.JSON(), nullable=False),
        sa.Column("headers", sa.JSON(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("principal", "operation", "key", name="pk_idempotency"),
    )
    op.create_table(
        "outbox",
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("topic", sa.String(), nullable=False),
        sa.Column("client_id", sa.String(), nullable=True),
        sa.Column("payload", sa.JSON(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("made_out_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("position", name="pk_outbox"),
        sa.UniqueConstraint("id", name="uq_outbox_id"),
    )
    with op.batch_alter_table("outbox", schema=None) as batch_op:
        batch_op.create_index("ix_outbox_client_id", ["client_id"], unique=False)
        batch_op.create_index("ix_outbox_created_at", ["created_at"], unique=False)
        batch_op.create_index("ix_outbox_made_out_at", ["made_out_at"], unique=False)

    op.create_table(
        "webhook_endpoint",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("client_id", sa.String(), nullable=False),
        sa.Column("url", sa.String(), nullable=False),
        sa.Column("topics", sa.JSON(), nullable=False),
        sa.Column("secret", sa.String(), nullable=False),
        sa.Column("previous_secret", sa.String(), nullable=True),
        sa.Column("previous_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("disabled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("disabled_because", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(
            ["client_id"],
            ["client.id"],
            name="fk_webhook_endpoint_client_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("id", name="pk_webhook_endpoint"),
    )
    with op.batch_alter_table("webhook_endpoint", schema=None) as batch_op:
        batch_op.create_index("ix_webhook_endpoint_client_id", ["client_id"], unique=False)

    op.create_table(
        "webhook_delivery",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("endpoint_id", sa.String(), nullable=False),
        sa.Column("event_id", sa.String(), nullable=False),
        sa.Column("topic", sa.String(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("subject", sa.String(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("next_attempt_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("token", sa.String(), nullable=True),
        sa.Column("lease_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("delivered_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_status", sa.Integer(), nullable=True),
        sa.Column("log", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["endpoint_id"],
            ["webhook_endpoint.id"],
            name="fk_webhook_delivery_endpoint_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(
            ["event_id"],
            ["outbox.id"],
            name="fk_webhook_delivery_event_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("id", name="pk_webhook_delivery"),
        sa.UniqueConstraint(
            "endpoint_id", "event_id", name="uq_webhook_delivery_endpoint_id_event_id"
        ),
    )
    with op.batch_alter_table("webhook_delivery", schema=None) as batch_op:
        batch_op.create_index(
            "ix_webhook_delivery_endpoint_id_state_position",
            ["endpoint_id", "state", "position"],
            unique=False,
        )
        batch_op.create_index(
            "ix_webhook_delivery_endpoint_id_subject_position",
            ["endpoint_id", "subject", "position"],
            unique=False,
        )
        batch_op.create_index("ix_webhook_delivery_event_id", ["event_id"], unique=False)
        batch_op.create_index("ix_webhook_delivery_token", ["token"], unique=False)

    op.create_table(
        "plan",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("requested_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("requested_by", sa.String(), nullable=False),
        sa.Column("first_day", sa.Date(), nullable=False),
        sa.Column("days", sa.Integer(), nullable=False),
        sa.Column("seconds", sa.Float(), nullable=True),
        sa.Column("iterations", sa.Integer(), nullable=True),
        sa.Column("seed", sa.Integer(), nullable=False),
        sa.Column("base_revision", sa.Integer(), nullable=True),
        sa.Column("progress", sa.Float(), nullable=False),
        sa.Column("best_cost", sa.Integer(), nullable=True),
        sa.Column("cancel_requested", sa.Boolean(), nullable=False),
        sa.Column("holder", sa.String(), nullable=True),
        sa.Column("lease_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("finished_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("published_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("failure", sa.String(), nullable=True),
        sa.Column("problem", sa.LargeBinary(), nullable=True),
        sa.Column("solution", sa.JSON(), nullable=True),
        sa.Column("broken_promises", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_plan"),
    )
    with op.batch_alter_table("plan", schema=None) as batch_op:
        batch_op.create_index("ix_plan_state", ["state"], unique=False)

    op.create_table(
        "publication",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("id = 1", name="ck_publication_one_row"),
        sa.PrimaryKeyConstraint("id", name="pk_publication"),
    )
    op.create_table(
        "technician",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("phone", sa.String(), nullable=False),
        sa.Column("email", sa.String(), nullable=False),
        sa.Column("home_town", sa.String(), nullable=False),
        sa.Column("lat", sa.Float(), nullable=False),
        sa.Column("lon", sa.Float(), nullable=False),
        sa.Column("zone", sa.String(), nullable=False),
        sa.Column("skills", sa.JSON(), nullable=False),
        sa.Column("working_hours", sa.String(), nullable=False),
        sa.Column("holiday_country", sa.String(), nullable=False),
        sa.Column("holiday_subdivision", sa.String(), nullable=True),
        sa.Column("break_minutes", sa.Integer(), nullable=False),
        sa.Column("break_earliest", sa.String(), nullable=False),
        sa.Column("break_latest", sa.String(), nullable=False),
        sa.Column("pace", sa.Float(), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("language", sa.String(), nullable=False),
        sa.Column("calendar_text", sa.String(), nullable=False),
        sa.Column("calendar_read_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_technician"),
    )
    op.create_table(
        "absence_calendar",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("technician_id", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=True),
        sa.Column("tentative_blocks", sa.Boolean(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("tried_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("read_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("next_try_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("failure", sa.String(), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("skipped", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["technician_id"],
            ["technician.id"],
            name="fk_absence_calendar_technician_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("id", name="pk_absence_calendar"),
    )
    with op.batch_alter_table("absence_calendar", schema=None) as batch_op:
        batch_op.create_index("ix_absence_calendar_next_try_at", ["next_try_at"], unique=False)
        batch_op.create_index("ix_absence_calendar_technician_id", ["technician_id"], unique=False)

    op.create_table(
        "absence",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("technician_id", sa.String(), nullable=False),
        sa.Column("starts_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ends_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("certainty", sa.String(), nullable=False),
        sa.Column("calendar_id", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(
            ["calendar_id"],
            ["absence_calendar.id"],
            name="fk_absence_calendar_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(
            ["technician_id"],
            ["technician.id"],
            name="fk_absence_technician_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("id", name="pk_absence"),
    )
    with op.batch_alter_table("absence", schema=None) as batch_op:
        batch_op.create_index("ix_absence_calendar_id", ["calendar_id"], unique=False)
        batch_op.create_index("ix_absence_technician_id", ["technician_id"], unique=False)

    op.create_table(
        "api_key",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("client_id", sa.String(), nullable=True),
        sa.Column("technician_id", sa.String(), nullable=True),
        sa.Column("secret_hash", sa.String(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["client_id"],
            ["client.id"],
            name="fk_api_key_client_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(
            ["technician_id"],
            ["technician.id"],
            name="fk_api_key_technician_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("id", name="pk_api_key"),
        sa.UniqueConstraint("secret_hash", name="uq_api_key_secret_hash"),
    )
    op.create_table(
        "contract",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("client_id", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("ends_on", sa.Date(), nullable=True),
        sa.Column("response_minutes", sa.JSON(), nullable=False),
        sa.Column("service_hours", sa.String(), nullable=False),
        sa.Column("zone", sa.String(), nullable=False),
        sa.Column("holiday_country", sa.String(), nullable=False),
        sa.Column("holiday_subdivision", sa.String(), nullable=True),
        sa.Column("serves_holidays", sa.Boolean(), nullable=False),
        sa.Column("upkeep_included", sa.Boolean(), nullable=False),
        sa.Column("statutory_included", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["client_id"],
            ["client.id"],
            name="fk_contract_client_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("id", name="pk_contract"),
    )
    with op.batch_alter_table("contract", schema=None) as batch_op:
        batch_op.create_index("ix_contract_client_id", ["client_id"], unique=False)

    op.create_table(
        "feed_document",
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("subject", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("body_gzip", sa.LargeBinary(), nullable=False),
        sa.Column("etag", sa.String(), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("written_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("kind", "subject", name="pk_feed_document"),
    )
    op.create_table(
        "feed_link",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("subject", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("secret_hash", sa.String(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_fetched_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_fetched_by", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_feed_link"),
        sa.UniqueConstraint("secret_hash", name="uq_feed_link_secret_hash"),
    )
    with op.batch_alter_table("feed_link", schema=None) as batch_op:
        batch_op.create_index("ix_feed_link_kind_subject", ["kind", "subject"], unique=False)

    op.create_table(
        "site",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("client_id", sa.String(), nullable=False),
        sa.Column("contract_id", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("town", sa.String(), nullable=False),
        sa.Column("lat", sa.Float(), nullable=False),
        sa.Column("lon", sa.Float(), nullable=False),
        sa.Column("altitude_metres", sa.Float(), nullable=False),
        sa.Column("zone", sa.String(), nullable=False),
        sa.Column("opening_hours", sa.String(), nullable=False),
        sa.Column("access_hours", sa.String(), nullable=False),
        sa.Column("quiet_hours", sa.String(), nullable=False),
        sa.Column("closures", sa.JSON(), nullable=False),
        sa.Column("hardness_dh", sa.Float(), nullable=False),
        sa.Column("access_notes", sa.String(), nullable=False),
        sa.Column("phone", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["client_id"],
            ["client.id"],
            name="fk_site_client_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(
            ["contract_id"],
            ["contract.id"],
            name="fk_site_contract_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("id", name="pk_site"),
    )
    with op.batch_alter_table("site", schema=None) as batch_op:
        batch_op.create_index("ix_site_client_id", ["client_id"], unique=False)
        batch_op.create_index("ix_site_contract_id", ["contract_id"], unique=False)

    op.create_table(
        "machine",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("tag", sa.String(), nullable=False),
        sa.Column("serial", sa.String(), nullable=False),
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("boiler_layout", sa.String(), nullable=True),
        sa.Column("groups", sa.Integer(), nullable=False),
        sa.Column("dosing", sa.String(), nullable=True),
        sa.Column("features", sa.JSON(), nullable=False),
        sa.Column("installed_on", sa.Date(), nullable=False),
        sa.Column("retired_on", sa.Date(), nullable=True),
        sa.Column("drinks_per_day", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(
            ["site_id"],
            ["site.id"],
            name="fk_machine_site_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("id", name="pk_machine"),
        sa.UniqueConstraint("tag", name="uq_machine_tag"),
    )
    with op.batch_alter_table("machine", schema=None) as batch_op:
        batch_op.create_index("ix_machine_site_id", ["site_id"], unique=False)

    op.create_table(
        "visit",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("window", sa.String(), nullable=False),
        sa.Column("minutes", sa.Integer(), nullable=False),
        sa.Column("skills", sa.JSON(), nullable=False),
        sa.Column("parts", sa.JSON(), nullable=False),
        sa.Column("earliest", sa.Date(), nullable=False),
        sa.Column("target", sa.Date(), nullable=False),
        sa.Column("latest", sa.Date(), nullable=False),
        sa.Column("hard_latest", sa.Date(), nullable=True),
        sa.Column("urgency", sa.String(), nullable=True),
        sa.Column("respond_by", sa.DateTime(timezone=True), nullable=True),
        sa.Column("headlines", sa.JSON(), nullable=False),
        sa.Column("worksheet", sa.JSON(), nullable=False),
        sa.Column("because", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["site_id"], ["site.id"], name="fk_visit_site_id", initially="DEFERRED", deferrable=True
        ),
        sa.PrimaryKeyConstraint("id", name="pk_visit"),
    )
    with op.batch_alter_table("visit", schema=None) as batch_op:
        batch_op.create_index("ix_visit_site_id", ["site_id"], unique=False)
        batch_op.create_index("ix_visit_state", ["state"], unique=False)

    op.create_table(
        "appointment",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("visit_id", sa.String(), nullable=False),
        sa.Column("technician_id", sa.String(), nullable=False),
        sa.Column("starts_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ends_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("revised_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("moved_from", sa.DateTime(timezone=True), nullable=True),
        sa.Column("plan_id", sa.String(), nullable=True),
        sa.Column("travel_minutes", sa.Integer(), nullable=False),
        sa.Column("arrive_from", sa.DateTime(timezone=True), nullable=True),
        sa.Column("arrive_until", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("starts_at < ends_at", name="ck_appointment_ends_after_start"),
        sa.ForeignKeyConstraint(
            ["plan_id"],
            ["plan.id"],
            name="fk_appointment_plan_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(
            ["technician_id"],
            ["technician.id"],
            name="fk_appointment_technician_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(
            ["visit_id"],
            ["visit.id"],
            name="fk_appointment_visit_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("id", name="pk_appointment"),
    )
    with op.batch_alter_table("appointment", schema=None) as batch_op:
        batch_op.create_index("ix_appointment_starts_at", ["starts_at"], unique=False)
        batch_op.create_index("ix_appointment_state", ["state"], unique=False)
        batch_op.create_index(
            "ix_appointment_technician_id_ends_at", ["technician_id", "ends_at"], unique=False
        )
        batch_op.create_index("ix_appointment_visit_id", ["visit_id"], unique=False)

    op.create_table(
        "callback",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("client_id", sa.String(), nullable=False),
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("machine_id", sa.String(), nullable=False),
        sa.Column("reported_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("symptoms", sa.JSON(), nullable=False),
        sa.Column("text", sa.String(), nullable=False),
        sa.Column("urgency", sa.String(), nullable=False),
        sa.Column("respond_by", sa.DateTime(timezone=True), nullable=True),
        sa.Column("covered", sa.Boolean(), nullable=False),
        sa.Column("finding", sa.JSON(), nullable=False),
        sa.Column("cause", sa.String(), nullable=True),
        sa.Column("visit_id", sa.String(), nullable=True),
        sa.Column("state", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["client_id"],
            ["client.id"],
            name="fk_callback_client_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(
            ["machine_id"],
            ["machine.id"],
            name="fk_callback_machine_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(
            ["site_id"],
            ["site.id"],
            name="fk_callback_site_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(
            ["visit_id"],
            ["visit.id"],
            name="fk_callback_visit_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("id", name="pk_callback"),
    )
    with op.batch_alter_table("callback", schema=None) as batch_op:
        batch_op.create_index("ix_callback_client_id", ["client_id"], unique=False)
        batch_op.create_index("ix_callback_machine_id", ["machine_id"], unique=False)
        batch_op.create_index("ix_callback_site_id", ["site_id"], unique=False)
        batch_op.create_index("ix_callback_state", ["state"], unique=False)
        batch_op.create_index("ix_callback_visit_id", ["visit_id"], unique=False)

    op.create_table(
        "fitted_part",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("machine_id", sa.String(), nullable=False),
        sa.Column("part_type", sa.String(), nullable=False),
        sa.Column("position", sa.String(), nullable=False),
        sa.Column("fitted_on", sa.Date(), nullable=False),
        sa.Column("removed_on", sa.Date(), nullable=True),
        sa.Column("removal", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(
            ["machine_id"],
            ["machine.id"],
            name="fk_fitted_part_machine_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("id", name="pk_fitted_part"),
    )
    with op.batch_alter_table("fitted_part", schema=None) as batch_op:
        batch_op.create_index("ix_fitted_part_machine_id", ["machine_id"], unique=False)
        batch_op.create_index("ix_fitted_part_part_type", ["part_type"], unique=False)

    op.create_table(
        "meter_reading",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("machine_id", sa.String(), nullable=False),
        sa.Column("counter", sa.String(), nullable=False),
        sa.Column("value", sa.Float(), nullable=False),
        sa.Column("taken_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["machine_id"],
            ["machine.id"],
            name="fk_meter_reading_machine_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("id", name="pk_meter_reading"),
    )
    with op.batch_alter_table("meter_reading", schema=None) as batch_op:
        batch_op.create_index("ix_meter_reading_machine_id", ["machine_id"], unique=False)

    op.create_table(
        "due_task",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("machine_id", sa.String(), nullable=False),
        sa.Column("site_id", sa.String(), nullable=False),
        sa.Column("fitted_part_id", sa.String(), nullable=True),
        sa.Column("rule", sa.String(), nullable=False),
        sa.Column("anchor", sa.Date(), nullable=False),
        sa.Column("earliest", sa.Date(), nullable=False),
        sa.Column("target", sa.Date(), nullable=False),
        sa.Column("latest", sa.Date(), nullable=False),
        sa.Column("hard", sa.Boolean(), nullable=False),
        sa.Column("because", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("visit_id", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(
            ["fitted_part_id"],
            ["fitted_part.id"],
            name="fk_due_task_fitted_part_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(
            ["machine_id"],
            ["machine.id"],
            name="fk_due_task_machine_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(
            ["site_id"],
            ["site.id"],
            name="fk_due_task_site_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(
            ["visit_id"],
            ["visit.id"],
            name="fk_due_task_visit_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("id", name="pk_due_task"),
    )
    with op.batch_alter_table("due_task", schema=None) as batch_op:
        batch_op.create_index("ix_due_task_machine_id", ["machine_id"], unique=False)
        batch_op.create_index("ix_due_task_site_id", ["site_id"], unique=False)
        batch_op.create_index("ix_due_task_state", ["state"], unique=False)
        batch_op.create_index("ix_due_task_target", ["target"], unique=False)
        batch_op.create_index("ix_due_task_visit_id", ["visit_id"], unique=False)

    op.create_table(
        "hand_over",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("appointment_id", sa.String(), nullable=False),
        sa.Column("technician_id", sa.String(), nullable=False),
        sa.Column("starts_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ends_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("handed_over_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["appointment_id"],
            ["appointment.id"],
            name="fk_hand_over_appointment_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(
            ["technician_id"],
            ["technician.id"],
            name="fk_hand_over_technician_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("id", name="pk_hand_over"),
    )
    with op.batch_alter_table("hand_over", schema=None) as batch_op:
        batch_op.create_index("ix_hand_over_appointment_id", ["appointment_id"], unique=False)
        batch_op.create_index("ix_hand_over_technician_id", ["technician_id"], unique=False)

    op.create_table(
        "hold",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("client_id", sa.String(), nullable=False),
        sa.Column("visit_id", sa.String(), nullable=False),
        sa.Column("technician_id", sa.String(), nullable=False),
        sa.Column("starts_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ends_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("arrive_from", sa.DateTime(timezone=True), nullable=False),
        sa.Column("arrive_until", sa.DateTime(timezone=True), nullable=False),
        sa.Column("travel_minutes", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("appointment_id", sa.String(), nullable=True),
        sa.CheckConstraint("starts_at < ends_at", name="ck_hold_ends_after_start"),
        sa.ForeignKeyConstraint(
            ["appointment_id"],
            ["appointment.id"],
            name="fk_hold_appointment_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(
            ["client_id"],
            ["client.id"],
            name="fk_hold_client_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(
            ["technician_id"],
            ["technician.id"],
            name="fk_hold_technician_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(
            ["visit_id"],
            ["visit.id"],
            name="fk_hold_visit_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("id", name="pk_hold"),
    )
    with op.batch_alter_table("hold", schema=None) as batch_op:
        batch_op.create_index("ix_hold_client_id", ["client_id"], unique=False)
        batch_op.create_index("ix_hold_expires_at", ["expires_at"], unique=False)
        batch_op.create_index("ix_hold_state", ["state"], unique=False)
        batch_op.create_index(
            "ix_hold_technician_id_ends_at", ["technician_id", "ends_at"], unique=False
        )
        batch_op.create_index("ix_hold_visit_id", ["visit_id"], unique=False)

    op.create_table(
        "work_done",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("machine_id", sa.String(), nullable=False),
        sa.Column("fitted_part_id", sa.String(), nullable=True),
        sa.Column("rule", sa.String(), nullable=False),
        sa.Column("outcome", sa.String(), nullable=False),
        sa.Column("done_on", sa.Date(), nullable=False),
        sa.Column("technician_id", sa.String(), nullable=True),
        sa.Column("visit_id", sa.String(), nullable=True),
        sa.Column("note", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fitted_part_id"],
            ["fitted_part.id"],
            name="fk_work_done_fitted_part_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(
            ["machine_id"],
            ["machine.id"],
            name="fk_work_done_machine_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(
            ["technician_id"],
            ["technician.id"],
            name="fk_work_done_technician_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("id", name="pk_work_done"),
    )
    with op.batch_alter_table("work_done", schema=None) as batch_op:
        batch_op.create_index("ix_work_done_machine_id", ["machine_id"], unique=False)

    op.create_table(
        "interval_decision",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("rule", sa.String(), nullable=False),
        sa.Column("machine_id", sa.String(), nullable=True),
        sa.Column("months", sa.Float(), nullable=False),
        sa.Column("decided_by", sa.String(), nullable=False),
        sa.Column("decided_on", sa.Date(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("withdrawn_on", sa.Date(), nullable=True),
        sa.ForeignKeyConstraint(
            ["machine_id"],
            ["machine.id"],
            name="fk_interval_decision_machine_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("id", name="pk_interval_decision"),
    )
    with op.batch_alter_table("interval_decision", schema=None) as batch_op:
        batch_op.create_index("ix_interval_decision_machine_id", ["machine_id"], unique=False)
        batch_op.create_index("ix_interval_decision_rule", ["rule"], unique=False)

    op.create_table(
        "measurement",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("machine_id", sa.String(), nullable=False),
        sa.Column("set_point", sa.String(), nullable=False),
        sa.Column("value", sa.Float(), nullable=False),
        sa.Column("unit", sa.String(), nullable=False),
        sa.Column("stage", sa.String(), nullable=False),
        sa.Column("verdict", sa.String(), nullable=False),
        sa.Column("because", sa.String(), nullable=False),
        sa.Column("taken_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("taken_on", sa.Date(), nullable=False),
        sa.Column("visit_id", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(
            ["machine_id"],
            ["machine.id"],
            name="fk_measurement_machine_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(
            ["visit_id"],
            ["visit.id"],
            name="fk_measurement_visit_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("id", name="pk_measurement"),
        sa.UniqueConstraint(
            "machine_id",
            "set_point",
            "stage",
            "taken_at",
            name="uq_measurement_machine_id_set_point_stage_taken_at",
        ),
    )
    with op.batch_alter_table("measurement", schema=None) as batch_op:
        batch_op.create_index("ix_measurement_machine_id", ["machine_id"], unique=False)

    op.create_table(
        "stock",
        sa.Column("place", sa.String(), nullable=False),
        sa.Column("part_type", sa.String(), nullable=False),
        sa.Column("pieces", sa.Integer(), nullable=False),
        sa.Column("counted_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("place", "part_type", name="pk_stock"),
    )
    # the one row every change to the published calendar raises; 1970 stands for "never yet"
    op.execute(
        sa.insert(
            sa.table(
                "publication",
                sa.column("id"),
                sa.column("revision"),
                sa.column("changed_at", sa.DateTime(timezone=True)),
            )
        ).values(id=1, revision=0, changed_at=datetime(1970, 1, 1, tzinfo=UTC))
    )


def downgrade() -> None:
    op.drop_table("stock")
    with op.batch_alter_table("measurement", schema=None) as batch_op:
        batch_op.drop_index("ix_measurement_machine_id")

    op.drop_table("measurement")
    with op.batch_alter_table("interval_decision", schema=None) as batch_op:
        batch_op.drop_index("ix_interval_decision_rule")
        batch_op.drop_index("ix_interval_decision_machine_id")

    op.drop_table("interval_decision")
    with op.batch_alter_table("work_done", schema=None) as batch_op:
        batch_op.drop_index("ix_work_done_machine_id")

    op.drop_table("work_done")
    with op.batch_alter_table("hold", schema=None) as batch_op:
        batch_op.drop_index("ix_hold_visit_id")
        batch_op.drop_index("ix_hold_technician_id_ends_at")
        batch_op.drop_index("ix_hold_state")
        batch_op.drop_index("ix_hold_expires_at")
        batch_op.drop_index("ix_hold_client_id")

    op.drop_table("hold")
    with op.batch_alter_table("hand_over", schema=None) as batch_op:
        batch_op.drop_index("ix_hand_over_technician_id")
        batch_op.drop_index("ix_hand_over_appointment_id")

    op.drop_table("hand_over")
    with op.batch_alter_table("due_task", schema=None) as batch_op:
        batch_op.drop_index("ix_due_task_visit_id")
        batch_op.drop_index("ix_due_task_target")
        batch_op.drop_index("ix_due_task_state")
        batch_op.drop_index("ix_due_task_site_id")
        batch_op.drop_index("ix_due_task_machine_id")

    op.drop_table("due_task")
    with op.batch_alter_table("meter_reading", schema=None) as batch_op:
        batch_op.drop_index("ix_meter_reading_machine_id")

    op.drop_table("meter_reading")
    with op.batch_alter_table("fitted_part", schema=None) as batch_op:
        batch_op.drop_index("ix_fitted_part_part_type")
        batch_op.drop_index("ix_fitted_part_machine_id")

    op.drop_table("fitted_part")
    with op.batch_alter_table("callback", schema=None) as batch_op:
        batch_op.drop_index("ix_callback_visit_id")
        batch_op.drop_index("ix_callback_state")
        batch_op.drop_index("ix_callback_site_id")
        batch_op.drop_index("ix_callback_machine_id")
        batch_op.drop_index("ix_callback_client_id")

    op.drop_table("callback")
    with op.batch_alter_table("appointment", schema=None) as batch_op:
        batch_op.drop_index("ix_appointment_visit_id")
        batch_op.drop_index("ix_appointment_technician_id_ends_at")
        batch_op.drop_index("ix_appointment_state")
        batch_op.drop_index("ix_appointment_starts_at")

    op.drop_table("appointment")
    with op.batch_alter_table("visit", schema=None) as batch_op:
        batch_op.drop_index("ix_visit_state")
        batch_op.drop_index("ix_visit_site_id")

    op.drop_table("visit")
    with op.batch_alter_table("machine", schema=None) as batch_op:
        batch_op.drop_index("ix_machine_site_id")

    op.drop_table("machine")
    with op.batch_alter_table("site", schema=None) as batch_op:
        batch_op.drop_index("ix_site_contract_id")
        batch_op.drop_index("ix_site_client_id")

    op.drop_table("site")
    with op.batch_alter_table("feed_link", schema=None) as batch_op:
        batch_op.drop_index("ix_feed_link_kind_subject")

    op.drop_table("feed_link")
    op.drop_table("feed_document")
    with op.batch_alter_table("contract", schema=None) as batch_op:
        batch_op.drop_index("ix_contract_client_id")

    op.drop_table("contract")
    op.drop_table("api_key")
    with op.batch_alter_table("absence", schema=None) as batch_op:
        batch_op.drop_index("ix_absence_technician_id")
        batch_op.drop_index("ix_absence_calendar_id")

    op.drop_table("absence")
    with op.batch_alter_table("absence_calendar", schema=None) as batch_op:
        batch_op.drop_index("ix_absence_calendar_technician_id")
        batch_op.drop_index("ix_absence_calendar_next_try_at")

    op.drop_table("absence_calendar")
    op.drop_table("technician")
    op.drop_table("publication")
    with op.batch_alter_table("plan", schema=None) as batch_op:
        batch_op.drop_index("ix_plan_state")

    op.drop_table("plan")
    with op.batch_alter_table("webhook_delivery", schema=None) as batch_op:
        batch_op.drop_index("ix_webhook_delivery_token")
        batch_op.drop_index("ix_webhook_delivery_event_id")
        batch_op.drop_index("ix_webhook_delivery_endpoint_id_subject_position")
        batch_op.drop_index("ix_webhook_delivery_endpoint_id_state_position")

    op.drop_table("webhook_delivery")
    with op.batch_alter_table("webhook_endpoint", schema=None) as batch_op:
        batch_op.drop_index("ix_webhook_endpoint_client_id")

    op.drop_table("webhook_endpoint")
    with op.batch_alter_table("outbox", schema=None) as batch_op:
        batch_op.drop_index("ix_outbox_made_out_at")
        batch_op.drop_index("ix_outbox_created_at")
        batch_op.drop_index("ix_outbox_client_id")

    op.drop_table("outbox")
    op.drop_table("idempotency")
    op.drop_table("company")
    op.drop_table("clock_claim")
    op.drop_table("client")
    op.drop_table("audit")
