"""Inventory control theory: policies, safety stock, order quantities, allocation; pure."""
