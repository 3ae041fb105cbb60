"""The storekeeper's desk: stock, receipts, transfers, counts, scrap, labels."""
