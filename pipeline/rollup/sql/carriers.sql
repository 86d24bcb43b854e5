-- What sat where from when to when: from reel events by slot and by feeder, from set-up lists, and what is known of a reel.
-- A reel that is loaded elsewhere, unloaded or run out ends its span. A span that the event at its end contradicts (another
-- reel was taken off, or ran out) is not known. Two reels at one place at the same time: not known until the next event.
create or replace temp table reel_known as
select reel, case when count(distinct part) = 1 then min(part) end as part, case when count(distinct lot) = 1 then min(lot) end as lot
from {reel_event}
group by reel;

create or replace temp table place_event as
with event as (
    select distinct time, event, machine, slot, feeder, coalesce(lane, '') as lane, reel, previous_reel
    from {reel_event} where event in ('load', 'unload', 'splice')
),
at_place as (
    select 'slot' as kind, machine, slot as place, * exclude (machine, slot) from event where machine is not null and slot is not null
    union all
    select 'feeder', '', feeder, time, event, feeder, lane, reel, previous_reel from event where feeder is not null
)
select kind, machine, place, lane, time,
    case when count(distinct reel) filter (event <> 'unload') = 1
        and count(*) filter (event = 'load' and previous_reel is not null) = 0
        then min(reel) filter (event <> 'unload') end as reel,
    case when count(distinct feeder) = 1 then min(feeder) end as feeder,
    list(distinct case event when 'unload' then reel when 'splice' then previous_reel end) as left_it
from at_place
group by kind, machine, place, lane, time;

create or replace temp table reel_moved as
select reel, kind, machine, place, lane, time from place_event where reel is not null
union
select distinct e.reel, k.kind, '', null, '', e.time
from {reel_event} e cross join (values ('slot'), ('feeder')) k(kind) where e.event = 'unload'
union
select distinct e.previous_reel, k.kind, '', null, '', e.time
from {reel_event} e cross join (values ('slot'), ('feeder')) k(kind) where e.event = 'splice' and e.previous_reel is not null;

create or replace temp table new_span as
with followed as (
    select *, lead(time) over place_in_time as next_time, lead(left_it) over place_in_time as next_left
    from place_event
    window place_in_time as (partition by kind, machine, place, lane order by time)
),
moved as (
    select f.kind, f.machine, f.place, f.lane, f.time, min(m.time) as gone
    from followed f
    join reel_moved m on m.reel = f.reel and m.kind = f.kind and m.time > f.time
        and (m.place is null or (m.machine, m.place, m.lane) <> (f.machine, f.place, f.lane))
    group by all
),
sat as (
    select f.kind, f.machine, f.place, f.lane, f.time as begin,
        least(coalesce(f.next_time, timestamp '9999-12-31'), coalesce(m.gone, timestamp '9999-12-31')) as end_,
        case when f.kind = 'slot' then f.feeder end as feeder, f.reel,
        len(list_filter(coalesce(f.next_left, []), lambda r: r is not null and r <> f.reel)) > 0
            and coalesce(f.next_time <= m.gone, true) as contradicted
    from followed f
    left join moved m using (kind, machine, place, lane, time)
    where f.reel is not null
),
edge as (
    select machine, slot, coalesce(lane, '') as lane, coalesce(valid_from, timestamp '0001-01-01') as begin from {setup}
    union
    select machine, slot, coalesce(lane, ''), valid_to from {setup} where valid_to is not null
),
piece as (
    select *, coalesce(lead(begin) over (partition by machine, slot, lane order by begin), timestamp '9999-12-31') as end_ from edge
),
listed as (
    select p.machine, p.slot, p.lane, p.begin, p.end_,
        case when count(distinct s.feeder) = 1 then min(s.feeder) end as feeder,
        case when count(distinct s.part) = 1 then min(s.part) end as part
    from piece p
    join {setup} s on s.machine = p.machine and s.slot = p.slot and coalesce(s.lane, '') = p.lane
        and coalesce(s.valid_from, timestamp '0001-01-01') <= p.begin and coalesce(s.valid_to, timestamp '9999-12-31') > p.begin
    group by all
)
select s.kind, s.machine, s.place, s.lane, s.begin, s.end_, s.feeder, s.reel, k.part, k.lot
from sat s join reel_known k using (reel)
where not s.contradicted and s.begin < s.end_
union all
select 'setup', machine, slot, lane, begin, end_, feeder, null, part, null from listed where coalesce(feeder, part) is not null
union all
select 'reel', '', reel, '', timestamp '0001-01-01', timestamp '9999-12-31', null, reel, part, lot
from reel_known where coalesce(part, lot) is not null;

create or replace temp table span_change as
(select * from new_span except select * from carrier_span)
union all
(select * from carrier_span except select * from new_span);

delete from carrier_span;

insert into carrier_span select * from new_span order by all
