-- Picks counted by hour and all keys, for joint.sql, where picks have the keys that their lines say and no recipe ran that they do
-- not name: each stored combination is counted as one number. A key has several rows here, one for each end and reason.
select
    c.hour, k.machine, k.head, k.spindle, k.nozzle, k.nozzle_type, k.feeder, k.slot, k.lane, k.part, k.package, k.reel, k.lot,
    k.recipe, k.method, k.lighting,
    c.picks as attempts,
    case when k.outcome = 'placed' then c.picks else 0 end as placed,
    case when k.outcome = 'missed' then c.picks else 0 end as missed,
    case when k.outcome = 'rejected' then c.picks else 0 end as rejected,
    case when k.outcome = 'dropped' then c.picks else 0 end as dropped,
    case when k.outcome = 'returned' then c.picks else 0 end as returned,
    case when k.outcome = 'unknown' then c.picks else 0 end as unknown,
    case when coalesce(k.try_number, 1) = 1 then c.picks else 0 end as first_tries,
    0 as missed_on, 0 as rejected_on, 0 as dropped_on, 0 as lost_on,
    c.offsets, c.dx_sum, c.dx_squares, c.dy_sum, c.dy_squares, c.dangle_sum, c.dangle_squares
from (
    select
        date_trunc('hour', p.time) as hour, p.key_id,
        count(*) as picks,
        count(p.dx + p.dy) as offsets,
        sum(cast(p.dx as DECIMAL(18, 5))) filter (where p.dx + p.dy is not null) as dx_sum,
        sum(cast(p.dx * p.dx as DECIMAL(18, 8))) filter (where p.dx + p.dy is not null) as dx_squares,
        sum(cast(p.dy as DECIMAL(18, 5))) filter (where p.dx + p.dy is not null) as dy_sum,
        sum(cast(p.dy * p.dy as DECIMAL(18, 8))) filter (where p.dx + p.dy is not null) as dy_squares,
        sum(cast(p.dangle as DECIMAL(18, 5))) filter (where p.dx + p.dy is not null) as dangle_sum,
        sum(cast(p.dangle * p.dangle as DECIMAL(18, 8))) filter (where p.dx + p.dy is not null) as dangle_squares
    from pick_row p
    where p.time >= {first_hour} and p.time < {end_of_hours}
    group by date_trunc('hour', p.time), p.key_id
) c
join pick_key k on k.key_id = c.key_id
join touched t on t.machine = k.machine and t.hour = c.hour
