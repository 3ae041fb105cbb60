"""Database plumbing that knows no stock: exact numbers, append-only tables, repeatable reads."""
