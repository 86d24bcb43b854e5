-- Single picks -> tally rows of grain joint. Offsets are summed as decimals: the sum of floats would depend on the
-- order in which threads meet them.
delete from tally where (machine, hour) in (select machine, hour from touched);

insert into tally
select
    'joint', date_trunc('hour', p.time) as hour,
    p.machine, p.head, p.spindle, p.nozzle, p.nozzle_type, p.feeder, p.slot, p.lane, p.part, p.package, p.reel, p.lot,
    p.recipe, p.method, p.lighting,
    count(*),
    count(*) filter (where p.outcome = 'placed'),
    count(*) filter (where p.outcome = 'missed'),
    count(*) filter (where p.outcome = 'rejected'),
    count(*) filter (where p.outcome = 'dropped'),
    count(*) filter (where p.outcome = 'returned'),
    count(*) filter (where p.outcome = 'unknown'),
    count(*) filter (where coalesce(p.try_number, 1) = 1),
    count(p.dx + p.dy),
    cast(sum(cast(p.dx as DECIMAL(18, 5))) filter (where p.dx + p.dy is not null) as DOUBLE),
    cast(sum(cast(p.dx * p.dx as DECIMAL(18, 8))) filter (where p.dx + p.dy is not null) as DOUBLE),
    cast(sum(cast(p.dy as DECIMAL(18, 5))) filter (where p.dx + p.dy is not null) as DOUBLE),
    cast(sum(cast(p.dy * p.dy as DECIMAL(18, 8))) filter (where p.dx + p.dy is not null) as DOUBLE),
    cast(sum(cast(p.dangle as DECIMAL(18, 5))) filter (where p.dx + p.dy is not null) as DOUBLE),
    cast(sum(cast(p.dangle * p.dangle as DECIMAL(18, 8))) filter (where p.dx + p.dy is not null) as DOUBLE)
from pick p
join touched t on t.machine = p.machine and t.hour = date_trunc('hour', p.time)
where p.time >= (select min(hour) from touched) and p.time < (select max(hour) from touched) + interval 1 hour
group by
    date_trunc('hour', p.time), p.machine, p.head, p.spindle, p.nozzle, p.nozzle_type, p.feeder, p.slot, p.lane, p.part,
    p.package, p.reel, p.lot, p.recipe, p.method, p.lighting
