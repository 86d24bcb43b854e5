-- Counter rows -> tally rows of their own grain, where the machine logged no single picks in their interval:
-- the same parts must not count twice.
insert into tally
select
    c.grain, date_trunc('hour', c.time) as hour,
    c.machine, c.head, c.spindle, c.nozzle, c.nozzle_type, c.feeder, c.slot, c.lane, c.part, c.package, c.reel, c.lot,
    c.recipe, c.method, c.lighting,
    sum(coalesce(c.placed, 0) + coalesce(c.missed, 0) + coalesce(c.rejected, 0) + coalesce(c.dropped, 0)
        + coalesce(c.returned, 0) + coalesce(c.unknown, 0)),
    sum(coalesce(c.placed, 0)), sum(coalesce(c.missed, 0)), sum(coalesce(c.rejected, 0)),
    sum(coalesce(c.dropped, 0)), sum(coalesce(c.returned, 0)), sum(coalesce(c.unknown, 0)),
    sum(coalesce(c.placed, 0) + coalesce(c.missed, 0) + coalesce(c.rejected, 0) + coalesce(c.dropped, 0)
        + coalesce(c.returned, 0) + coalesce(c.unknown, 0)),
    sum(coalesce(c.missed, 0)), sum(coalesce(c.rejected, 0)), sum(coalesce(c.dropped, 0)),
    sum(coalesce(c.missed, 0) + coalesce(c.rejected, 0) + coalesce(c.dropped, 0) + coalesce(c.unknown, 0)),
    0, null, null, null, null, null, null
from counter c
join touched t on t.machine = c.machine and t.hour = date_trunc('hour', c.time)
where not exists (
    select 1 from tally j
    where j.grain = 'joint' and j.machine = c.machine and j.hour <= c.time
        and j.hour > coalesce(c.start, c.time - interval {counter_reach} hour) - interval 1 hour
)
group by
    c.grain, date_trunc('hour', c.time), c.machine, c.head, c.spindle, c.nozzle, c.nozzle_type, c.feeder, c.slot, c.lane,
    c.part, c.package, c.reel, c.lot, c.recipe, c.method, c.lighting
