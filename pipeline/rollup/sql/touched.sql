-- The machine hours whose tallies the new rows may change, but for those whose picks were removed: they stay as they are.
-- A counter row is dropped where single picks cover its interval, so picks touch the counters up to
-- {counter_reach} hours later; a reading of a running counter also changes the difference of the next one, or what is one counter; a fault explains
-- losses up to {fault_reach} seconds away; a recipe that was switched on goes to the picks from then until the next one, and a
-- reel or set-up to the picks while it was there, in whichever file they are.
create or replace temp table touched as
with near as (
    select distinct machine, hour from new_hour
),
span as (
    select machine, min(hour) as first, max(hour) as last from near group by machine
),
counted as (
    select machine, time, coalesce(start, time - interval {counter_reach} hour) as since from {counter} where running is not true
    union all
    select machine, time, since from running_difference
),
covered as (
    select c.machine, c.hour
    from (select *, {standing} as hour from counted) c
    join span s on c.machine = s.machine and c.time >= s.first and c.since < s.last + interval 1 hour
),
switched as (
    select machine, time, lead(time) over (partition by machine order by time) as next_time
    from (select distinct machine, time from {activity} where recipe is not null and event in ('recipe', 'board_start')) a
),
running as (
    select s.machine, s.time, s.next_time
    from switched s
    semi join new_switch n on n.machine = s.machine and n.time = s.time
),
tallied as (
    select distinct machine, hour from tally where machine in (select machine from running)
),
moved as (
    select kind, machine, place, min(begin) as begin, max(end_) as end_ from span_change group by kind, machine, place
),
carried as (
    select t.machine, t.hour
    from tally t
    join moved c on c.machine = t.machine and c.place = t.slot and t.hour < c.end_ and t.hour + interval 1 hour > c.begin
    where t.grain = 'joint' and c.kind in ('slot', 'setup')
    union
    select t.machine, t.hour
    from tally t
    join moved c on c.place = t.feeder and t.hour < c.end_ and t.hour + interval 1 hour > c.begin
    where t.grain = 'joint' and c.kind = 'feeder'
    union
    select t.machine, t.hour
    from tally t
    join moved c on c.place = t.reel
    where t.grain = 'joint' and c.kind = 'reel'
)
select machine, hour from (
    select machine, hour from near
    union
    select machine, hour from covered
    union
    select machine, unnest([date_trunc('hour', time), {standing}]) from running_difference where changed
    union
    select machine, unnest({ends}) from running_switch
    union
    select machine, hour from carried
    union
    select h.machine, h.hour
    from tallied h
    join running r on r.machine = h.machine and h.hour + interval 1 hour > r.time
        and (r.next_time is null or h.hour < r.next_time)
)
except
({closed})
