"""The accountant's desk: periods, exports, reconciliation."""
