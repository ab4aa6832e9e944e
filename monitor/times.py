from monitor.ingest.times import to_rfc3339  # noqa
