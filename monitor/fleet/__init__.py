"""Past one machine: the daemon's engine in shards, which an existing Ray cluster places and starts again.

    shards      which skid belongs to which shard, for ever; a shard's settings
    database    PostgreSQL: connection, layout, faults explained
    lease       who speaks for a shard: an epoch that each commit and each push checks
    store       what the daemon asks of a store, on PostgreSQL; `readings`, `hours`, `outbox`,
                `retention`, `text` are its parts
    reader      all shards as one store that pages read
    runner      a shard in this process: the daemon's own loop
    actor       the same on a node of Ray
    keeping     places shards, moves whole ones where nodes came or went
    view        all shards as one: status, alarms
"""
