-- Readings of running counters -> differences to the reading before of the same counter. What one counter is, is decided in
-- running_chains.sql: its machine, grain and all keys, or the item alone where its total goes on while other keys change.
-- One reading is one row of counts that the machine keeps together. Where one of them fell:
--   wrap   only one fell, from just below a power of two or ten (2^16, 2^32, 10^4 to 10^12) to just above 0: it ran over
--          its last digit, and the difference goes through that;
--   reset  anything else: all counts of the reading began anew. What they show was counted since, unless it is more
--          than the machine's rated speed allows in that time, or no time has passed: then it says nothing.
-- The first reading of a counter has no difference. Counts are never negative. A difference belongs to the keys of the later reading.
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
    select key_id, time, place, 0 as turn, fresh, attempts, placed, missed, rejected, dropped, returned, unknown from running_reading
    union all
    select r.key_id, r.time, r.last_place, 1, r.fresh, r.last.attempts, r.last.placed, r.last.missed, r.last.rejected, r.last.dropped,
        r.last.returned, r.last.unknown
    from running_reading r
    join running_key k using (key_id)
    semi join (select * from running_rule where kind = 'fall') f on f.machine = k.machine and f.grain = k.grain
    where r.fell
),
chained as (
    select r.*, k.* exclude (key_id, kind), coalesce(i.item, k.key_id) as item, w.machine is not null as switched
    from reading r
    join running_key k using (key_id)
    left join running_rule u on u.machine = k.machine and u.grain = k.grain and u.kind = k.kind
    left join running_item i on i.key_id = k.key_id and i.choice = u.choice
    left join (select distinct machine, grain from running_switch) w on w.machine = k.machine and w.grain = k.grain
),
beside as (
    select *, lag(time) over counter as since, switched or coalesce(fresh or lag(fresh) over counter, false) as changed,
        lag(attempts ignore nulls) over counter as attempts_before, lag(placed ignore nulls) over counter as placed_before,
        lag(missed ignore nulls) over counter as missed_before, lag(rejected ignore nulls) over counter as rejected_before,
        lag(dropped ignore nulls) over counter as dropped_before,
        lag(returned ignore nulls) over counter as returned_before, lag(unknown ignore nulls) over counter as unknown_before
    from chained
    window counter as (partition by item order by time, place, key_id, turn)
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
    select *, case when falls = 0 then null when falls = 1 and digits is not null and time > since then 'wrap' else 'reset' end as kind,
        time = since or greatest(coalesce(attempts, 0), coalesce(placed, 0) + coalesce(missed, 0) + coalesce(rejected, 0)
            + coalesce(dropped, 0) + coalesce(returned, 0) + coalesce(unknown, 0)) > most as too_many
    from fallen
)
select * exclude (attempts, placed, missed, rejected, dropped, returned, unknown, key_id, place, turn, item, switched),
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
