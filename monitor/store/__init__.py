"""The store of the record: database, Parquet files, ledger, audit trail, lease."""
