use settlepoint_domain::LimitValue;

use crate::{COLUMNS, SheetRow};

/// The sheet as text: UTF-8, commas, decimal points, a header line with all [`COLUMNS`].
pub fn write(rows: &[SheetRow]) -> String {
    let mut out = csv::Writer::from_writer(Vec::new());
    // Writing to memory does not fail.
    let _ = out.write_record(COLUMNS);
    for row in rows {
        let _ = out.write_record(cells(row));
    }
    let bytes = out.into_inner().unwrap_or_default();
    String::from_utf8_lossy(&bytes).into_owned()
}

fn cells(row: &SheetRow) -> [String; COLUMNS.len()] {
    let limit = |value: LimitValue| match value {
        LimitValue::Unknown => String::new(),
        other => other.to_string(),
    };
    let number = |value: Option<f64>| value.map_or(String::new(), |v| v.to_string());
    [
        row.order.to_string(),
        row.run.clone(),
        row.machine.clone(),
        row.cooling.clone(),
        row.tune.clone(),
        row.workload.clone(),
        row.setting.clone(),
        limit(row.pl1_w),
        limit(row.pl2_w),
        limit(row.tau_s),
        limit(row.temp_limit_c),
        number(row.fan_max_rpm),
        number(row.room_c),
        number(row.warm_up_s),
        number(row.run_s),
        number(row.cool_down_s),
        row.block.clone(),
        row.reason.clone(),
    ]
}
