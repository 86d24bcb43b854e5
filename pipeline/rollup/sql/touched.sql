-- The machine hours whose tallies the file may change.
-- A counter row is dropped where single picks cover its interval, so picks touch the counters up to
-- {counter_reach} hours later; a fault explains losses up to {fault_reach} seconds away.
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
)
select machine, hour from near
union
select machine, hour from covered
