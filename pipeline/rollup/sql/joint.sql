-- Single picks -> tally rows of grain joint. Offsets are summed as decimals: the sum of floats would depend on the
-- order in which threads meet them. A pick that does not name its recipe has the one that ran then (recipes.sql).
delete from tally where (machine, hour) in (select machine, hour from touched);

-- Losses that go on with a run: one of the two picks before from the same feeder was lost the same way. A jam of ten is one
-- event that lasts, not ten independent ones. Only feeders with two losses in the hour can have any. Their losses are kept with
-- all keys; the others only say in which order the picks came, for which a few numbers are sorted. Picks of one instant have
-- no order but that of the tries for one placement: the digests only make it the same every time, for which those that were
-- not lost need none. All in one statement: what a transaction puts into tables, also into temporary ones, it holds until its end.
insert into tally
with losing_feeder as materialized (
    select row_number() over () as number, p.machine, p.feeder, date_trunc('hour', p.time) as hour
    from {filled} p
    join touched t on t.machine = p.machine and t.hour = date_trunc('hour', p.time)
    where p.outcome in ('missed', 'rejected', 'dropped', 'unknown') and p.feeder is not null
        and p.time >= {first_hour} and p.time < {end_of_hours}
    group by p.machine, p.feeder, date_trunc('hour', p.time)
    having count(*) >= 2
),
losing as materialized (
    select l.number, l.hour, p.*
    from {filled} p
    join losing_feeder l on l.machine = p.machine and l.feeder = p.feeder and l.hour = date_trunc('hour', p.time)
    where p.outcome in ('missed', 'rejected', 'dropped', 'unknown')
        and p.time >= {first_hour} and p.time < {end_of_hours}
),
repeated_loss as materialized (
    select row_number() over () as loss_number, * from losing
),
in_turn as (
    select null as loss_number, l.number, p.time, hash(p.board, p.designator) as placement, p.try_number,
        0 as others, '' as lost_as
    from {filled} p
    join losing_feeder l on l.machine = p.machine and l.feeder = p.feeder and l.hour = date_trunc('hour', p.time)
    where p.outcome not in ('missed', 'rejected', 'dropped', 'unknown')
        and p.time >= {first_hour} and p.time < {end_of_hours}
    union all
    select loss_number, number, time, hash(board, designator), try_number,
        hash(nozzle, outcome, head, spindle, part, reason, nozzle_type, slot, lane, package, reel, lot, recipe, method, lighting),
        outcome
    from repeated_loss
),
ordered as (
    select loss_number, lag(lost_as, 1, '') over in_order as one_before, lag(lost_as, 2, '') over in_order as two_before
    from in_turn
    window in_order as (partition by number order by time, placement, try_number, others)
),
following as (
    select l.hour, l.machine, l.head, l.spindle, l.nozzle, l.nozzle_type, l.feeder, l.slot, l.lane, l.part, l.package, l.reel, l.lot,
        coalesce(l.recipe, s.recipe) as recipe, l.method, l.lighting,
        count(*) filter (where outcome = 'missed' and 'missed' in (one_before, two_before)) as missed,
        count(*) filter (where outcome = 'rejected' and 'rejected' in (one_before, two_before)) as rejected,
        count(*) filter (where outcome = 'dropped' and 'dropped' in (one_before, two_before)) as dropped,
        count(*) filter (where one_before in ('missed', 'rejected', 'dropped', 'unknown')
            or two_before in ('missed', 'rejected', 'dropped', 'unknown')) as lost
    from ordered o
    join repeated_loss l on l.loss_number = o.loss_number
    left join recipe_span s on s.machine = l.machine and l.time >= s.begin and l.time < s.end_
    group by
        l.hour, l.machine, l.head, l.spindle, l.nozzle, l.nozzle_type, l.feeder, l.slot, l.lane, l.part, l.package, l.reel, l.lot,
        coalesce(l.recipe, s.recipe), l.method, l.lighting
),
counted as (
    {counted}
    union all
    select
        hour, machine, head, spindle, nozzle, nozzle_type, feeder, slot, lane, part, package, reel, lot,
    recipe, method, lighting,
        0, 0, 0, 0, 0, 0, 0, 0, missed, rejected, dropped, lost, 0, null, null, null, null, null, null
    from following
)
select
    'joint', hour,
    machine, head, spindle, nozzle, nozzle_type, feeder, slot, lane, part, package, reel, lot,
    recipe, method, lighting,
    sum(attempts), sum(placed), sum(missed), sum(rejected), sum(dropped), sum(returned), sum(unknown), sum(first_tries),
    sum(missed) - sum(missed_on), sum(rejected) - sum(rejected_on), sum(dropped) - sum(dropped_on),
    sum(missed) + sum(rejected) + sum(dropped) + sum(unknown) - sum(lost_on),
    sum(offsets),
    cast(sum(dx_sum) as DOUBLE), cast(sum(dx_squares) as DOUBLE), cast(sum(dy_sum) as DOUBLE),
    cast(sum(dy_squares) as DOUBLE), cast(sum(dangle_sum) as DOUBLE), cast(sum(dangle_squares) as DOUBLE)
from counted
group by
    hour, machine, head, spindle, nozzle, nozzle_type, feeder, slot, lane, part, package, reel, lot,
    recipe, method, lighting
