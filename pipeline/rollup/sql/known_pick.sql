-- The touched picks with the keys that their lines do not say, as of the pick's time. What the log says stays; what two
-- sources tell differently stays unknown. `pick` itself is not changed. Into a file, which can go when its slice is done: a
-- temporary table stays until the transaction ends.
copy (
with asked as (
    select pick_number, p.machine, time, slot, coalesce(lane, '') as lane_key, feeder, part, reel, lot
    from {numbered} p
    semi join touched t on t.machine = p.machine and t.hour = date_trunc('hour', p.time)
    where p.time >= {first_hour} and p.time < {end_of_hours}
        and (feeder is null or part is null or reel is null or lot is null)
),
span as (
    select * from carrier_span
    where end_ > {first_hour} and begin < {end_of_hours}
),
by_slot as (
    select a.*, case when s.end_ > a.time then s.reel end as slot_reel, case when s.end_ > a.time then s.feeder end as slot_feeder
    from asked a
    asof left join (select * from span where kind = 'slot') s
        on s.machine = a.machine and s.place = a.slot and s.lane = a.lane_key and a.time >= s.begin
),
by_list as (
    select a.*, case when u.end_ > a.time then u.part end as list_part, case when u.end_ > a.time then u.feeder end as list_feeder
    from by_slot a
    asof left join (select * from span where kind = 'setup') u
        on u.machine = a.machine and u.place = a.slot and u.lane = a.lane_key and a.time >= u.begin
),
with_feeder as (
    select *, coalesce(feeder, case when slot_feeder is null or list_feeder is null or slot_feeder = list_feeder
        then coalesce(slot_feeder, list_feeder) end) as known_feeder
    from by_list
),
by_feeder as (
    select a.*, case when f.end_ > a.time then f.reel end as feeder_reel
    from with_feeder a
    asof left join (select * from span where kind = 'feeder') f
        on f.place = a.known_feeder and f.lane = a.lane_key and a.time >= f.begin
),
with_reel as (
    select a.*, coalesce(a.reel, case when slot_reel is null or feeder_reel is null or slot_reel = feeder_reel
        then coalesce(slot_reel, feeder_reel) end) as found_reel
    from by_feeder a
),
with_parts as (
    select a.*, r.part as reel_part, r.lot as reel_lot,
        coalesce(r.part <> a.part, false) or coalesce(r.part <> a.list_part and a.part is null, false)
            or coalesce(r.lot <> a.lot, false) as contradicted
    from with_reel a
    left join (select place, part, lot from span where kind = 'reel') r on r.place = a.found_reel
)
select p.* exclude (pick_number) replace (
        coalesce(p.feeder, f.known_feeder) as feeder,
        coalesce(p.reel, case when not f.contradicted then f.found_reel end) as reel,
        coalesce(p.part, case when not f.contradicted then coalesce(f.reel_part, f.list_part) end) as part,
        coalesce(p.lot, case when not f.contradicted then f.reel_lot end) as lot),
    p.feeder as told_feeder, p.reel as told_reel, p.part as told_part, p.lot as told_lot
from {numbered} p
semi join touched t on t.machine = p.machine and t.hour = date_trunc('hour', p.time)
left join with_parts f on f.pick_number = p.pick_number
where p.time >= {first_hour} and p.time < {end_of_hours}
) to {known_file} (format parquet, compression 'lz4_raw')
