-- Nothing was loaded that tells what sat where: the spans stay as they are.
create or replace temp table span_change as select * from carrier_span limit 0
