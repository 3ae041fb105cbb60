"""Filters of amounts, as `shop.common.amounts` writes them."""

from django import template

from shop.common import amounts

register = template.Library()
for write in (
    amounts.quantity,
    amounts.money,
    amounts.percent,
    amounts.shown_length,
    amounts.share,
):
    register.filter(write.__name__, write)
