-- Picks counted by hour and all keys, for joint.sql.
select
    date_trunc('hour', p.time) as hour, p.machine, p.head, p.spindle, p.nozzle, p.nozzle_type, p.feeder, p.slot, p.lane, p.part, p.package, p.reel, p.lot,
    coalesce(p.recipe, s.recipe) as recipe, p.method, p.lighting,
    count(*) as attempts,
    count(*) filter (where p.outcome = 'placed') as placed,
    count(*) filter (where p.outcome = 'missed') as missed,
    count(*) filter (where p.outcome = 'rejected') as rejected,
    count(*) filter (where p.outcome = 'dropped') as dropped,
    count(*) filter (where p.outcome = 'returned') as returned,
    count(*) filter (where p.outcome = 'unknown') as unknown,
    count(*) filter (where coalesce(p.try_number, 1) = 1) as first_tries,
    0 as missed_on, 0 as rejected_on, 0 as dropped_on, 0 as lost_on,
    count(p.dx + p.dy) as offsets,
    sum(cast(p.dx as DECIMAL(18, 5))) filter (where p.dx + p.dy is not null) as dx_sum,
    sum(cast(p.dx * p.dx as DECIMAL(18, 8))) filter (where p.dx + p.dy is not null) as dx_squares,
    sum(cast(p.dy as DECIMAL(18, 5))) filter (where p.dx + p.dy is not null) as dy_sum,
    sum(cast(p.dy * p.dy as DECIMAL(18, 8))) filter (where p.dx + p.dy is not null) as dy_squares,
    sum(cast(p.dangle as DECIMAL(18, 5))) filter (where p.dx + p.dy is not null) as dangle_sum,
    sum(cast(p.dangle * p.dangle as DECIMAL(18, 8))) filter (where p.dx + p.dy is not null) as dangle_squares
from {filled} p
join touched t on t.machine = p.machine and t.hour = date_trunc('hour', p.time)
left join recipe_span s on s.machine = p.machine and p.time >= s.begin and p.time < s.end_
where p.time >= {first_hour} and p.time < {end_of_hours}
group by
    date_trunc('hour', p.time), p.machine, p.head, p.spindle, p.nozzle, p.nozzle_type, p.feeder, p.slot, p.lane, p.part, p.package, p.reel, p.lot,
    coalesce(p.recipe, s.recipe), p.method, p.lighting
