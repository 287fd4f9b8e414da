"""Storage: readings as Parquet, appended in whole files, never twice."""
