"""The owner's desk: margins, consumption against standard, what moved."""
