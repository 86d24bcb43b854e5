-- Which readings of running counters follow each other. A row of totals names an item and what stood beside it: a nozzle and
-- the recipe, a feeder and the part. Either each combination has a total of its own, or the total is the item's and goes
-- on while the rest changes. The data tell, by machine, grain and kind of item: at each change of the rest, the reading
-- before of the item and the last one of the same keys are held against the new one.
--   for the item         the new reading is not below the item's last one, and this not below the last one of the same keys,
--                        or only those fell; keys that are new go on from the item's last reading no faster than three
--                        times the most that was counted between readings of the same keys; a total that stood still tells
--                        nothing, unless it is handed over at one time, by keys that ran alone before
--   for each by itself   the item's last reading is above the new one or below the last one of the same keys; new keys begin
--                        below it or far above it; two totals at one time
-- A total is the item's if at least three changes speak for it and not a third as many against it; of several such
-- items the one that most speak for, then the first of the list. A finer one (the nozzle on its head) is looked at only where
-- the data speak against the coarser ones: what rises with the coarser one rises with it too. Else all keys go together.
create or replace temp table running_key as
select row_number() over (order by grain, machine, head, spindle, nozzle, nozzle_type, feeder, slot, lane, part, package, reel, lot, recipe,
    method, lighting) as key_id, *
from (
    select distinct grain, machine, head, spindle, nozzle, nozzle_type, feeder, slot, lane, part, package, reel, lot, recipe, method,
        lighting,
        case grain
            when 'machine' then 'machine'
            when 'nozzle' then case when nozzle is not null then 'nozzle' when coalesce(spindle, head) is not null then 'spindle' end
            when 'feeder' then case when feeder is not null then 'feeder' when slot is not null then 'slot'
                when part is not null then 'part' when reel is not null then 'reel' when lot is not null then 'lot' end
            when 'part' then case when part is not null then 'part' when reel is not null then 'reel' when lot is not null then 'lot' end
            when 'joint' then case when coalesce(nozzle, spindle, head, feeder, slot, part) is not null then 'joint' end end as kind
    from {counter}
    where running and machine in (select machine from counted_machine)
);

-- The items that a total may be of: key_id stands for the first of the keys that are one item.
create or replace temp table running_item as
with chain(kind, choice, finer, kept) as (
    values ('machine', 1, false, []), ('machine', 2, true, ['lane']),
        ('nozzle', 1, false, ['nozzle']), ('nozzle', 2, false, ['head', 'spindle']),
        ('nozzle', 3, true, ['head', 'nozzle']), ('nozzle', 4, true, ['nozzle', 'recipe']),
        ('spindle', 1, false, ['head', 'spindle']),
        ('feeder', 1, false, ['feeder']), ('feeder', 2, false, ['slot', 'lane']),
        ('feeder', 3, true, ['feeder', 'lane']), ('feeder', 4, true, ['feeder', 'part']),
        ('slot', 1, false, ['slot', 'lane']), ('slot', 2, true, ['slot', 'lane', 'part']),
        ('part', 1, false, ['part']), ('reel', 1, false, ['reel']), ('lot', 1, false, ['lot']),
        ('joint', 1, false, ['head', 'spindle', 'nozzle', 'feeder', 'slot', 'lane', 'part'])
),
one as (
    select k.key_id, k.machine, k.grain, k.kind, c.choice, c.finer, min(k.key_id) over (
        partition by k.machine, k.grain, k.kind, c.choice,
            case when list_contains(c.kept, 'head') then k.head end, case when list_contains(c.kept, 'spindle') then k.spindle end,
            case when list_contains(c.kept, 'nozzle') then k.nozzle end, case when list_contains(c.kept, 'feeder') then k.feeder end,
            case when list_contains(c.kept, 'slot') then k.slot end, case when list_contains(c.kept, 'lane') then k.lane end,
            case when list_contains(c.kept, 'part') then k.part end, case when list_contains(c.kept, 'reel') then k.reel end,
            case when list_contains(c.kept, 'lot') then k.lot end, case when list_contains(c.kept, 'recipe') then k.recipe end
        ) as item
    from running_key k join chain c on c.kind = k.kind
    where (k.spindle is not null or not list_contains(c.kept, 'spindle') or c.kind <> 'nozzle')
        and (k.slot is not null or not list_contains(c.kept, 'slot') or c.kind <> 'feeder')
),
items as (
    select machine, grain, kind, choice, finer, count(*) as keys, count(distinct item) as items
    from one group by machine, grain, kind, choice, finer
)
select one.* from one
semi join (
    select * from items i where items < keys and not (finer and exists (
        select 1 from items c where (c.machine, c.grain, c.kind, c.choice) = (i.machine, i.grain, i.kind, 1) and c.items = i.items))
) i on (i.machine, i.grain, i.kind, i.choice) = (one.machine, one.grain, one.kind, one.choice);

create or replace temp view running_row as
select k.key_id, k.kind, c.machine, c.time, c.attempts, c.placed, c.missed, c.rejected, c.dropped, c.returned, c.unknown, c.load_id, c.line,
    c.load_id in (select load_id from new_load) as fresh
from {counter} c
join running_key k on k.machine = c.machine and k.grain = c.grain
    and k.head is not distinct from c.head and k.spindle is not distinct from c.spindle and k.nozzle is not distinct from c.nozzle
    and k.nozzle_type is not distinct from c.nozzle_type and k.feeder is not distinct from c.feeder
    and k.slot is not distinct from c.slot and k.lane is not distinct from c.lane and k.part is not distinct from c.part
    and k.package is not distinct from c.package and k.reel is not distinct from c.reel and k.lot is not distinct from c.lot
    and k.recipe is not distinct from c.recipe and k.method is not distinct from c.method
    and k.lighting is not distinct from c.lighting
where c.running;

create or replace temp macro amount(c) as (
    greatest(coalesce(c.attempts, 0), coalesce(c.placed, 0) + coalesce(c.missed, 0) + coalesce(c.rejected, 0) + coalesce(c.dropped, 0)
        + coalesce(c.returned, 0) + coalesce(c.unknown, 0))
);

-- Rows of the same keys and time are one reading, with the highest of each count; `old`: as the store was before this load.
-- A reset may be written at once: `last`, by line, is at most a twentieth of the highest. Not so where two files cover
-- that time (they disagree), unless one ends and the next begins with it. Files with the newest line first are turned around.
-- Where the clock was set back, no more than once in ten lines of a file whose totals go on from line to line, the readings of the
-- time that comes again are left out: what they counted is in the first one after it.
create or replace temp macro running_readings(old) as table (
    with read as (
        select * from running_row where not old or not fresh
    ),
    by_line as (
        select *, time < lag(time) over in_file as back, max(time) over (in_file rows between unbounded preceding and 1 preceding) as latest,
            arg_max(amount(read), time) over (in_file rows between unbounded preceding and 1 preceding) as reached,
            coalesce(lead(amount(read)) over in_file >= amount(read), true) as goes_on
        from read window in_file as (partition by load_id, key_id order by line)
    ),
    kept as (
        select * exclude (back, latest, reached, goes_on) from by_line
        qualify not coalesce(time < latest and amount(by_line) > reached and goes_on, false)
            or 10 * count(*) filter (back) over (partition by load_id, key_id) > count(*) over (partition by load_id, key_id)
    ),
    file as (
        select load_id, machine, min(time) as begin, max(time) as end_, case when corr(line, epoch(time)) < 0 then -1 else 1 end as way
        from kept group by load_id, machine
    ),
    sided as (
        select k.*, f.way, case when f.begin < k.time and f.end_ = k.time then -1 when f.begin = k.time and f.end_ > k.time then 1 else 0 end as side
        from kept k join file f using (load_id, machine)
    ),
    numbered as (
        select *, side * 1099511627776 + way * line as place, {attempts: attempts, placed: placed, missed: missed, rejected: rejected,
            dropped: dropped, returned: returned, unknown: unknown} as counts
        from sided
    ),
    merged as (
        select key_id, kind, time, max(attempts) as attempts, max(placed) as placed, max(missed) as missed, max(rejected) as rejected,
            max(dropped) as dropped, max(returned) as returned, max(unknown) as unknown, bool_or(fresh) as fresh,
            min(place) as place, max(place) as last_place, arg_max(counts, place) as last,
            min(load_id) = max(load_id) or (count(distinct load_id) = 2 and min(side) = -1 and max(side) = 1) as in_order
        from numbered group by key_id, kind, time
    ),
    counted as (
        select *, amount(merged) as total, amount(last) as last_total from merged
    )
    select *, in_order and kind is not null and last_place > place and 20 * last_total <= total and total > 0
        and (last.attempts is null) = (attempts is null) and (last.placed is null) = (placed is null)
        and (last.missed is null) = (missed is null) and (last.rejected is null) = (rejected is null)
        and (last.dropped is null) = (dropped is null) and (last.returned is null) = (returned is null)
        and (last.unknown is null) = (unknown is null) as fell
    from counted
);

create or replace temp table running_reading as select * from running_readings(false);

-- By machine, grain and kind of item: which choice of running_item holds. Kind 'fall': resets that are written at once
-- are such, and not two counters under one name, of which the higher one would go on from reading to reading.
create or replace temp macro running_rules(readings) as table (
    with reading as (
        select * from query_table(readings)
    ),
    step as (
        select i.machine, i.grain, i.kind, i.choice, i.finer, r.key_id, r.time, r.total, lag(r.key_id) over item as key_before,
            epoch_us(r.time) - epoch_us(lag(r.time) over item) as passed, lag(r.total) over item as before, lag(r.total) over own as own,
            coalesce(lag(r.time) over own < lag(r.time, 2) over item, false) as left_alone
        from reading r join running_item i using (key_id)
        window item as (partition by i.choice, i.item order by r.time, r.place, r.key_id),
            own as (partition by i.choice, r.key_id order by r.time)
    ),
    timed as (
        select *, case when passed > 0 and total >= before then (total - before) / passed end as rate from step
    ),
    pace as (
        select machine, grain, kind, choice, coalesce(max(rate) filter (key_before = key_id), median(rate)) as pace
        from timed group by machine, grain, kind, choice
    ),
    told as (
        select t.machine, t.grain, t.kind, t.choice, t.finer, case
                when total = before and (passed > 0 or not left_alone) then 0
                when passed = 0 and total > before then -1
                when own is null and total < before then -1
                when own is null and total > 0 then case when total - before <= 3 * pace * passed then 1 when pace is not null then -1 else 0 end
                when own is null then 0
                when total < before then case when total < own then 0 else -1 end
                when total < own then 1
                when before < own then -1
                when before > own then 1
                else 0 end as vote
        from timed t join pace using (machine, grain, kind, choice)
        where key_before <> key_id
    ),
    voted as (
        select machine, grain, kind, choice, finer, count(*) filter (vote = 1) as for_it, count(*) filter (vote = -1) as against
        from told group by machine, grain, kind, choice, finer
    ),
    refuted as (
        select machine, grain, kind from voted where not finer
        group by machine, grain, kind having min(against) >= 3 and bool_and(3 * against >= for_it)
    ),
    next as (
        select key_id, fell, total, lead(total) over (partition by key_id order by time) as next from reading
        where key_id in (select key_id from reading where fell)
    )
    select machine, grain, kind, arg_max(choice, (not finer, for_it - against, -choice)) as choice
    from voted
    where for_it >= 3 and 3 * against < for_it and (not finer or (machine, grain, kind) in (select (machine, grain, kind) from refuted))
    group by machine, grain, kind
    union all
    select k.machine, k.grain, 'fall', 0
    from next n join running_key k using (key_id)
    where n.fell group by k.machine, k.grain
    having count(n.next) < 3 or 4 * count(*) filter (n.next < n.total) >= count(n.next)
);

create or replace temp table running_rule as select * from running_rules('running_reading');

-- What was decided otherwise before this load, or may have been: lines of a known file that were taken later cannot be told
-- from its others.
create or replace temp table running_reading_before as
select * from running_readings(true)
where key_id in (select key_id from running_item union select key_id from running_reading where fell);

create or replace temp table running_switch as
with changed as (
    select distinct machine, grain from (
        (select * from running_rule except select * from running_rules('running_reading_before'))
        union all
        (select * from running_rules('running_reading_before') except select * from running_rule)
        union all
        select machine, grain, kind, 0 from running_item where (select coalesce(bool_or(again), false) from new_load)
        union all
        select machine, grain, kind, 0 from running_key
        where key_id in (select key_id from running_reading where fell) and (select coalesce(bool_or(again), false) from new_load)
    )
)
select distinct k.machine, k.grain, r.time
from running_reading r join running_key k using (key_id) semi join changed c on c.machine = k.machine and c.grain = k.grain
