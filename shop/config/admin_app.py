"""Django's admin with the owners' site as the default. Imports no model: apps load before models."""

from django.contrib.admin.apps import AdminConfig


class OwnersAdminConfig(AdminConfig):
    """Registers set-up data and the ledger with shop.config.admin_site.OwnersSite."""

    default_site = "shop.config.admin_site.OwnersSite"
