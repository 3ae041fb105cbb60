"""What was recommended, approved, used and ran out; and what other settings would have done."""
