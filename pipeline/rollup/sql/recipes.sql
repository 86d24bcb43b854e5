-- Which recipe ran on a machine from when to when (end not included), as far as the touched hours need it. The last one
-- switched on holds until the next, however long ago it was. Of two at the same time the name that sorts last wins, so that
-- the result does not depend on the order in which the files came.
create or replace temp table recipe_span as
with switched as (
    select machine, time, max(recipe) as recipe
    from {activity}
    where recipe is not null and event in ('recipe', 'board_start') and machine in (select machine from touched)
    group by machine, time
),
followed as (
    select machine, time, recipe, lag(recipe) over (partition by machine order by time, recipe) as before
    from switched
),
span as (
    select machine, time as begin,
        coalesce(lead(time) over (partition by machine order by time, recipe), timestamp '9999-12-31 00:00:00') as end_,
        recipe
    from followed
    where before is null or before <> recipe
)
select machine, begin, end_, recipe
from span
where end_ > {first_hour} and begin < {end_of_hours}
