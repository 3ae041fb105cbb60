"""Job costing and standard costing."""
