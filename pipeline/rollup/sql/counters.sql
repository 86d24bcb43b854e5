-- Counter rows -> tally rows of their own grain, where the machine logged no single picks in their interval:
-- the same parts must not count twice. A log that gives picks and losses but no placed parts means that the rest was placed;
-- one that gives picks and placed parts and nothing else means that the rest was lost, and does not say how.
-- They stand in the hour of 35 minutes before their end, or of three fifths of a shorter interval: counts of a shift or
-- day that end at, or some minutes after, the full hour belong to what ended. Counts of nothing give no row: a total that
-- stands still, or a message of what is left on a reel, must not answer for a machine hour that others counted.
insert into tally
with counted as (
    select grain, time, coalesce(start, time - interval {counter_reach} hour) as since, machine, head, spindle, nozzle,
        nozzle_type, feeder, slot, lane, part, package, reel, lot, recipe, method, lighting, attempts, placed, missed,
        rejected, dropped, returned, unknown
    from {counter} where running is not true
    union all
    select grain, time, since, machine, head, spindle, nozzle,
        nozzle_type, feeder, slot, lane, part, package, reel, lot, recipe, method, lighting, attempts, placed, missed,
        rejected, dropped, returned, unknown
    from running_difference
),
late as (
    select distinct machine, date_trunc('hour', time) as hour from {pick}
    where time >= {end_of_hours} and time < {end_of_hours} + interval 1 hour
),
whole as (
    select {standing} as hour, * replace (
        coalesce(placed, greatest(coalesce(attempts, 0) - coalesce(missed, 0) - coalesce(rejected, 0) - coalesce(dropped, 0)
            - coalesce(returned, 0) - coalesce(unknown, 0), 0)) as placed,
        case when coalesce(missed, rejected, dropped, returned, unknown) is null and attempts > placed then attempts - placed
            else unknown end as unknown)
    from counted
)
select
    c.grain, c.hour,
    c.machine, c.head, c.spindle, c.nozzle, c.nozzle_type, c.feeder, c.slot, c.lane, c.part, c.package, c.reel, c.lot,
    c.recipe, c.method, c.lighting,
    sum(coalesce(c.placed, 0) + coalesce(c.missed, 0) + coalesce(c.rejected, 0) + coalesce(c.dropped, 0)
        + coalesce(c.returned, 0) + coalesce(c.unknown, 0)) as attempts,
    sum(coalesce(c.placed, 0)), sum(coalesce(c.missed, 0)), sum(coalesce(c.rejected, 0)),
    sum(coalesce(c.dropped, 0)), sum(coalesce(c.returned, 0)), sum(coalesce(c.unknown, 0)),
    sum(coalesce(c.placed, 0) + coalesce(c.missed, 0) + coalesce(c.rejected, 0) + coalesce(c.dropped, 0)
        + coalesce(c.returned, 0) + coalesce(c.unknown, 0)),
    sum(coalesce(c.missed, 0)), sum(coalesce(c.rejected, 0)), sum(coalesce(c.dropped, 0)),
    sum(coalesce(c.missed, 0) + coalesce(c.rejected, 0) + coalesce(c.dropped, 0) + coalesce(c.unknown, 0)),
    0, null, null, null, null, null, null
from whole c
join touched t on t.machine = c.machine and t.hour = c.hour
where not exists (
    select 1 from tally j
    where j.grain = 'joint' and j.machine = c.machine and j.hour < c.time and j.hour > c.since - interval 1 hour
)
and not exists (select 1 from late l where l.machine = c.machine and l.hour < c.time)
group by
    c.grain, c.hour, c.machine, c.head, c.spindle, c.nozzle, c.nozzle_type, c.feeder, c.slot, c.lane,
    c.part, c.package, c.reel, c.lot, c.recipe, c.method, c.lighting
having sum(coalesce(c.placed, 0) + coalesce(c.missed, 0) + coalesce(c.rejected, 0)
    + coalesce(c.dropped, 0) + coalesce(c.returned, 0) + coalesce(c.unknown, 0)) > 0;

delete from counter_event where (machine, date_trunc('hour', time)) in (select machine, hour from touched);

insert into counter_event
with fell as (
    unpivot (
        select machine, time, kind, concat_ws(', ', grain, 'head ' || head, 'spindle ' || spindle, 'nozzle ' || nozzle,
                'feeder ' || feeder, 'slot ' || slot, 'lane ' || lane, 'part ' || part, 'reel ' || reel, 'lot ' || lot,
                'recipe ' || recipe) as key,
            {before: attempts_before, after: attempts_after} as attempts, {before: placed_before, after: placed_after} as placed,
            {before: missed_before, after: missed_after} as missed, {before: rejected_before, after: rejected_after} as rejected,
            {before: dropped_before, after: dropped_after} as dropped,
            {before: returned_before, after: returned_after} as returned,
            {before: unknown_before, after: unknown_after} as unknown
        from running_difference
        where kind is not null and (machine, date_trunc('hour', time)) in (select machine, hour from touched)
    ) on attempts, placed, missed, rejected, dropped, returned, unknown into name what value reading
)
select machine, key || ': ' || what, time, kind, reading.before, reading.after
from fell
where reading.after < reading.before
