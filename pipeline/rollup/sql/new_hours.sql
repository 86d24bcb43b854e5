-- What the rows of one file, which are staged, are about: the hours of their picks, counts and faults, the moments at which they
-- switch a recipe on, and their machines. Kept until the file and those loaded with it are rolled up (touched.sql).
insert into new_hour
select machine, date_trunc('hour', time) from {staged_pick}
union
select machine, unnest({ends}) from {staged_counter}
union
select machine, date_trunc('hour', time - interval {fault_reach} second) from {staged_fault} where outcome is not null
union
select machine, date_trunc('hour', time + interval {fault_reach} second) from {staged_fault} where outcome is not null;

insert into new_switch
select distinct machine, time from {staged_activity} where recipe is not null and event in ('recipe', 'board_start');

insert into new_machine
select machine from {staged_pick}
union
select machine from {staged_counter}
union
select machine from {staged_fault}
union
select machine from {staged_activity}
