"""The first two steps of a job: what it will take and cost, and a van and a day for it."""
