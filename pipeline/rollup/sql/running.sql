-- Readings of running counters -> differences to the reading before of the same counter: its machine, grain and keys.
-- One reading is one row of counts that the machine keeps together. Where one of them fell:
--   wrap   only one fell, from just below a power of two or ten (2^16, 2^32, 10^4 to 10^12) to just above 0: it ran over
--          its last digit, and the difference goes through that;
--   reset  anything else: all counts of the reading began anew. What they show was counted since, unless it is more
--          than the machine's rated speed allows in that time: then it says nothing.
-- The first reading of a counter has no difference. Counts are never negative.
create or replace temp macro last_digit(before, after, most) as (
    list_min([m for m in [65536, 4294967296, 10000, 100000, 1000000, 10000000, 100000000, 1000000000, 10000000000,
        100000000000, 1000000000000]
        if after < before and before < m and m - before <= m // 20 and after <= m // 20
            and after + m - before <= coalesce(most, m)])
);

create or replace temp macro gone_on(after, before, kind, too_many, digits) as (
    case when after is null then null
        when kind = 'reset' then case when coalesce(too_many, false) then 0 else after end
        when before is null then 0
        when after < before then after + digits - before
        else after - before end
);

create or replace temp table running_difference as
with reading as (
    select grain, time, machine, head, spindle, nozzle, nozzle_type, feeder, slot, lane, part, package, reel, lot, recipe, method,
        lighting, max(attempts) as attempts, max(placed) as placed, max(missed) as missed, max(rejected) as rejected,
        max(dropped) as dropped, max(returned) as returned, max(unknown) as unknown,
        bool_or(load_id in (select load_id from new_load)) as fresh
    from {counter}
    where running and machine in (select machine from counted_machine)
    group by all
),
beside as (
    select *, lag(time) over counter as since, coalesce(fresh or lag(fresh) over counter, false) as changed,
        lag(attempts ignore nulls) over counter as attempts_before, lag(placed ignore nulls) over counter as placed_before,
        lag(missed ignore nulls) over counter as missed_before, lag(rejected ignore nulls) over counter as rejected_before,
        lag(dropped ignore nulls) over counter as dropped_before,
        lag(returned ignore nulls) over counter as returned_before, lag(unknown ignore nulls) over counter as unknown_before
    from reading
    window counter as (
        partition by grain, machine, head, spindle, nozzle, nozzle_type, feeder, slot, lane, part, package, reel, lot, recipe,
            method, lighting
        order by time)
),
timed as (
    select b.*, mm.rated_picks_per_hour * epoch(b.time - b.since) / 3600 as most
    from beside b left join master_machine mm on mm.machine = b.machine
),
fallen as (
    select *,
        cast(coalesce(attempts < attempts_before, false) as INTEGER) + cast(coalesce(placed < placed_before, false) as INTEGER)
            + cast(coalesce(missed < missed_before, false) as INTEGER)
            + cast(coalesce(rejected < rejected_before, false) as INTEGER)
            + cast(coalesce(dropped < dropped_before, false) as INTEGER)
            + cast(coalesce(returned < returned_before, false) as INTEGER)
            + cast(coalesce(unknown < unknown_before, false) as INTEGER) as falls,
        coalesce(last_digit(attempts_before, attempts, most), last_digit(placed_before, placed, most), last_digit(missed_before, missed, most),
            last_digit(rejected_before, rejected, most), last_digit(dropped_before, dropped, most),
            last_digit(returned_before, returned, most), last_digit(unknown_before, unknown, most)) as digits
    from timed
),
judged as (
    select *, case when falls = 0 then null when falls = 1 and digits is not null then 'wrap' else 'reset' end as kind,
        greatest(coalesce(attempts, 0), coalesce(placed, 0) + coalesce(missed, 0) + coalesce(rejected, 0) + coalesce(dropped, 0)
            + coalesce(returned, 0) + coalesce(unknown, 0)) > most as too_many
    from fallen
)
select * exclude (attempts, placed, missed, rejected, dropped, returned, unknown),
    attempts as attempts_after, placed as placed_after, missed as missed_after, rejected as rejected_after,
    dropped as dropped_after, returned as returned_after, unknown as unknown_after,
    gone_on(attempts, attempts_before, kind, too_many, digits) as attempts,
    gone_on(placed, placed_before, kind, too_many, digits) as placed,
    gone_on(missed, missed_before, kind, too_many, digits) as missed,
    gone_on(rejected, rejected_before, kind, too_many, digits) as rejected,
    gone_on(dropped, dropped_before, kind, too_many, digits) as dropped,
    gone_on(returned, returned_before, kind, too_many, digits) as returned,
    gone_on(unknown, unknown_before, kind, too_many, digits) as unknown
from judged
where since is not null
