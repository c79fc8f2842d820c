//! interim
pub mod air { pub fn density_at_altitude(h: f64, t: f64) -> f64 { 101325.0*(1.0-2.25577e-5*h).powf(5.25588)/(287.05*(t+273.15)) } }
pub fn level(s: &settlepoint_model::Sound, share: f64) -> f64 {
  let fan = s.full_speed_dba + s.k_db_per_decade*share.max(1e-3).log10();
  match s.background_dba { None => fan, Some(b) => 10.0*(10f64.powf(fan/10.0)+10f64.powf(b/10.0)).log10() } }
pub struct Normals(u64);
impl Normals { pub fn seeded(s:u64)->Self{Self(s)} pub fn uniform(&mut self)->f64{ self.0=self.0.wrapping_add(0x9e37_79b9_7f4a_7c15); let mut z=self.0; z=(z^(z>>30)).wrapping_mul(0xbf58_476d_1ce4_e5b9); z=(z^(z>>27)).wrapping_mul(0x94d0_49bb_1331_11eb); ((z^(z>>31))>>11) as f64/9007199254740992.0 }
 pub fn next(&mut self)->f64{ let (a,b)=(self.uniform().max(1e-300),self.uniform()); (-2.0*a.ln()).sqrt()*(std::f64::consts::TAU*b).cos() } }
