-- The machine hours whose tallies the file may change.
-- A counter row is dropped where single picks cover its interval, so picks touch the counters up to
-- {counter_reach} hours later; a fault explains losses up to {fault_reach} seconds away; a recipe that was switched on goes to
-- the picks from then until the next one, in whichever file they are.
create or replace temp table touched as
with near as (
    select machine, date_trunc('hour', time) as hour from staged_pick
    union
    select machine, date_trunc('hour', time) from staged_counter
    union
    select machine, date_trunc('hour', time - interval {fault_reach} second) from staged_fault where outcome is not null
    union
    select machine, date_trunc('hour', time + interval {fault_reach} second) from staged_fault where outcome is not null
),
span as (
    select machine, min(hour) as first, max(hour) as last from near group by machine
),
covered as (
    select c.machine, date_trunc('hour', c.time) as hour
    from counter c
    join span s on c.machine = s.machine and c.time >= s.first
        and coalesce(c.start, c.time - interval {counter_reach} hour) < s.last + interval 1 hour
),
switched as (
    select machine, time, lead(time) over (partition by machine order by time) as next_time
    from (select distinct machine, time from activity where recipe is not null and event in ('recipe', 'board_start')) a
),
running as (
    select s.machine, s.time, s.next_time
    from switched s
    where (s.machine, s.time) in (
        select machine, time from staged_activity where recipe is not null and event in ('recipe', 'board_start'))
),
tallied as (
    select distinct machine, hour from tally where machine in (select machine from running)
)
select machine, hour from near
union
select machine, hour from covered
union
select h.machine, h.hour
from tallied h
join running r on r.machine = h.machine and h.hour + interval 1 hour > r.time
    and (r.next_time is null or h.hour < r.next_time)
