-- Losses by reason. A fault message explains a loss that is counted already: it never adds one. The nearest fault of
-- the same machine that names the same nozzle, designator or part gives its reason group where the loss itself
-- has none or only "other".
delete from reason_tally where (machine, hour) in (select machine, hour from touched);

insert into reason_tally
with loss as (
    select row_number() over (order by p.load_id, p.line, p.time, p.board, p.designator, p.nozzle) as loss_id,
           date_trunc('hour', p.time) as hour, coalesce(p.recipe, s.recipe) as ran, p.*
    from {filled} p
    join touched t on t.machine = p.machine and t.hour = date_trunc('hour', p.time)
    left join recipe_span s on s.machine = p.machine and p.time >= s.begin and p.time < s.end_
    where p.outcome not in ('placed')
        and p.time >= {first_hour} and p.time < {end_of_hours}
),
near as (
    select l.loss_id, f.reason_group, f.fault_type,
           row_number() over (
               partition by l.loss_id
               order by abs(epoch_us(l.time) - epoch_us(f.time)), f.fault_type, f.reason_group, f.occurrence
           ) as place
    from loss l
    join {fault} f on f.machine = l.machine and f.outcome is not null
        and f.time between l.time - interval {fault_reach} second and l.time + interval {fault_reach} second
        and (f.nozzle = l.nozzle or f.designator = l.designator or f.part = l.part)
        and f.reason_group is not null and f.reason_group <> 'other'
    where coalesce(l.reason_group, 'other') = 'other'
)
select
    'joint', l.hour,
    l.machine, l.head, l.spindle, l.nozzle, l.nozzle_type, l.feeder, l.slot, l.lane, l.part, l.package, l.reel, l.lot,
    l.ran, l.method, l.lighting,
    l.outcome, l.reason,
    coalesce(n.reason_group, l.reason_group, 'other') as reason_group,
    count(*)
from loss l
left join near n on n.loss_id = l.loss_id and n.place = 1
group by
    l.hour, l.machine, l.head, l.spindle, l.nozzle, l.nozzle_type, l.feeder, l.slot, l.lane, l.part, l.package, l.reel,
    l.lot, l.ran, l.method, l.lighting, l.outcome, l.reason, coalesce(n.reason_group, l.reason_group, 'other')
