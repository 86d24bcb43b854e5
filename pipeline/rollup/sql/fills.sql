-- How many picks of each touched machine hour say a key themselves, got it from reel events and set-up lists, or have none.
delete from fill_tally where (machine, hour) in (select machine, hour from touched);

insert into fill_tally
with counted as (
    select machine, date_trunc('hour', time) as hour, count(*) as picks,
        count(told_feeder) as feeder_told, count(feeder) as feeder_known, count(told_reel) as reel_told,
        count(reel) as reel_known, count(told_part) as part_told, count(part) as part_known, count(told_lot) as lot_told,
        count(lot) as lot_known
    from {asked} a
    semi join touched t on t.machine = a.machine and t.hour = date_trunc('hour', a.time)
    where a.time >= {first_hour} and a.time < {end_of_hours}
    group by machine, date_trunc('hour', time)
)
select machine, hour, 'feeder', feeder_told, feeder_known - feeder_told, picks - feeder_known from counted
union all
select machine, hour, 'reel', reel_told, reel_known - reel_told, picks - reel_known from counted
union all
select machine, hour, 'part', part_told, part_known - part_told, picks - part_known from counted
union all
select machine, hour, 'lot', lot_told, lot_known - lot_told, picks - lot_known from counted
