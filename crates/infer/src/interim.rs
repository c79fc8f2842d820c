//! interim
pub fn normal_quantile(p: f64) -> f64 { // bisection on an erf series, interim only
  let cdf=|x:f64|{ let n=4000; let h=x/n as f64; let mut s=0.0; for i in 0..n { let t=(i as f64+0.5)*h; s+=(-0.5*t*t).exp(); } 0.5+s*h/(std::f64::consts::TAU).sqrt() };
  let (mut a,mut b)=(-8.0,8.0); for _ in 0..60 { let m=0.5*(a+b); if cdf(m)<p {a=m} else {b=m} } 0.5*(a+b) }
pub struct Normals(u64);
impl Normals { pub fn seeded(s:u64)->Self{Self(s)} pub fn uniform(&mut self)->f64{ self.0=self.0.wrapping_add(0x9e37_79b9_7f4a_7c15); let mut z=self.0; z=(z^(z>>30)).wrapping_mul(0xbf58_476d_1ce4_e5b9); z=(z^(z>>27)).wrapping_mul(0x94d0_49bb_1331_11eb); ((z^(z>>31))>>11) as f64/9007199254740992.0 }
 pub fn next(&mut self)->f64{ let (a,b)=(self.uniform().max(1e-300),self.uniform()); (-2.0*a.ln()).sqrt()*(std::f64::consts::TAU*b).cos() } }
