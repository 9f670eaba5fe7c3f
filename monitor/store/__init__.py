"""The record as it is kept: database, Parquet files, ledger, journal, lease."""
