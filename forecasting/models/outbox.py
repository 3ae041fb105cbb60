"""Mail as it was or will be sent, stored whole."""

from django.db import models
from django.db.models import Q

from forecasting.models.purchasing import Purchase
from forecasting.models.replenishment import Restock


class LetterState(models.TextChoices):
    """The status of a letter."""

    WAITING = "waiting"
    SENDING = "sending"
    SENT = "sent"
    FAILED = "failed"
    NO_RECIPIENT = "no recipient"


class Letter(models.Model):
    """One e-mail. `key` says what it is for, so that it is written once: `restock VAN-1 2026-W48`.

    `source` is the message as it goes over the wire (RFC 5322), attachments included; its Message-ID never
    changes, so that a repeat after a crash is known as the same message. `accepted` are the recipients for
    whom the mail server has taken it; what failed for others may have `sent_at` too. Sending again by
    hand makes a letter of its own, which `resends` this one.
    """

    key = models.CharField(max_length=100, unique=True)
    restock = models.ForeignKey(Restock, null=True, on_delete=models.PROTECT, related_name="letters")
    purchase = models.ForeignKey(Purchase, null=True, on_delete=models.PROTECT, related_name="letters")
    recipients = models.JSONField(default=list)
    accepted = models.JSONField(default=list)
    subject = models.CharField(max_length=250)
    message_id = models.CharField(max_length=200, unique=True)
    source = models.BinaryField()
    state = models.CharField(
        max_length=16, choices=LetterState.choices, default=LetterState.WAITING, db_index=True
    )
    written_at = models.DateTimeField()
    token = models.CharField(max_length=36, blank=True)
    alive_at = models.DateTimeField(null=True, help_text="when its sender last gave a sign of life")
    attempts = models.PositiveIntegerField(default=0)
    not_before = models.DateTimeField(null=True)
    sent_at = models.DateTimeField(null=True)
    error = models.TextField(blank=True)
    resends = models.ForeignKey("self", null=True, on_delete=models.PROTECT, related_name="resent_as")
    asked_by = models.CharField(max_length=150, blank=True, help_text="who sent it again")

    class Meta:
        ordering = ["-written_at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(state="sent") | Q(sent_at__isnull=False), name="sent_letter_has_its_moment"
            ),
            models.UniqueConstraint(
                fields=["restock"], condition=Q(resends__isnull=True), name="restock_letter_once"
            ),
        ]

    def __str__(self) -> str:
        return self.key
