-- Picks counted by hour and all keys, for joint.sql, where picks have the keys that their lines say and no recipe ran that they do
-- not name: each stored combination is counted as one number first.
select
    c.hour, k.machine, k.head, k.spindle, k.nozzle, k.nozzle_type, k.feeder, k.slot, k.lane, k.part, k.package, k.reel, k.lot,
    k.recipe, k.method, k.lighting,
    sum(c.picks) as attempts,
    coalesce(sum(c.picks) filter (where k.outcome = 'placed'), 0) as placed,
    coalesce(sum(c.picks) filter (where k.outcome = 'missed'), 0) as missed,
    coalesce(sum(c.picks) filter (where k.outcome = 'rejected'), 0) as rejected,
    coalesce(sum(c.picks) filter (where k.outcome = 'dropped'), 0) as dropped,
    coalesce(sum(c.picks) filter (where k.outcome = 'returned'), 0) as returned,
    coalesce(sum(c.picks) filter (where k.outcome = 'unknown'), 0) as unknown,
    coalesce(sum(c.picks) filter (where coalesce(k.try_number, 1) = 1), 0) as first_tries,
    0 as missed_on, 0 as rejected_on, 0 as dropped_on, 0 as lost_on,
    sum(c.offsets) as offsets,
    sum(c.dx_sum) as dx_sum, sum(c.dx_squares) as dx_squares, sum(c.dy_sum) as dy_sum,
    sum(c.dy_squares) as dy_squares, sum(c.dangle_sum) as dangle_sum, sum(c.dangle_squares) as dangle_squares
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
group by
    c.hour, k.machine, k.head, k.spindle, k.nozzle, k.nozzle_type, k.feeder, k.slot, k.lane, k.part, k.package, k.reel, k.lot,
    k.recipe, k.method, k.lighting
