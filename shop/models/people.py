"""People who sign in, and their roles."""

from collections.abc import Iterator
from typing import Any

from django.contrib.auth.models import AbstractUser
from django.db import models, transaction

from shop.common.amounts import LengthUnit
from shop.models.business import Shop


class Role(models.TextChoices):
    """A person's role in the shop, which gives the permissions."""

    TECHNICIAN = "technician"
    STOREKEEPER = "storekeeper"
    OWNER = "owner"
    ACCOUNTANT = "accountant"


class Person(AbstractUser):  # type: ignore[django-manager-missing] # knox has no types
    """Someone who signs in."""

    role = models.CharField(max_length=16, choices=Role.choices, default=Role.TECHNICIAN)
    invited_at = models.DateTimeField(
        null=True, editable=False, help_text="when the link was last sent that is still to be used"
    )
    session_generation = models.PositiveIntegerField(
        default=0, editable=False, help_text="goes up to sign the person out everywhere"
    )
    length_unit = models.CharField(
        max_length=2, blank=True, choices=LengthUnit.choices, help_text="empty: as the shop's"
    )

    def __str__(self) -> str:
        return self.get_full_name() or self.username

    def set_unusable_password(self) -> None:
        """Remove the password; the tokens end with it."""
        super().set_unusable_password()
        self._loses_password = True

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Save. API tokens end with the password under which they were made, however it is changed."""
        # Django keeps the chosen password here until it is saved, but not one that is only hashed again.
        chosen: str | None = getattr(self, "_password", None)
        ends_tokens = chosen is not None or self._loses_password
        with transaction.atomic():
            super().save(*args, **kwargs)
            if ends_tokens:
                self.auth_token_set.all().delete()
        self._loses_password = False

    _loses_password = False

    def length_unit_in(self, shop: "Shop") -> LengthUnit:
        """Return the unit in which lengths are shown to and typed by the person."""
        return LengthUnit(self.length_unit or shop.length_unit)

    def get_session_auth_hash(self) -> str:
        """Return what a session must hold to stay signed in: it changes with the password and generation."""
        return f"{super().get_session_auth_hash()}:{self.session_generation}"

    def get_session_auth_fallback_hash(self) -> Iterator[str]:
        """Yield the same for earlier secret keys."""
        for earlier in super().get_session_auth_fallback_hash():
            yield f"{earlier}:{self.session_generation}"
