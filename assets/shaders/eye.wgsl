// What is seen through the microscope. One shader for every surface of the eye; the kind of surface is a definition.
//
// World units are mm in the eye's frame, +z toward the observer. All surfaces are drawn back to front in a fixed order
// (`view::material::Kind`): the fundus glow; lens bodies, which only take light away; iris and instruments, which hide what
// lies behind them; then what the tissue scatters toward the observer; last what glints.
//
// Absorption follows Beer and Lambert: a ray that enters a body at height f and leaves it at height b keeps
// exp(-s (f - b)) of its light, and so each front face multiplies what lies behind it by exp(-s f) and each back face by
// exp(s b), in any order. An open crack is a way through without absorption: there the glow comes out.

#import bevy_pbr::forward_io::VertexOutput
#import bevy_pbr::mesh_view_bindings::view

struct Scene {
    // Toward the lamp; w: brightness.
    light: vec4<f32>,
    // Needle: tip and outer radius (0: out of the eye), its far end and the sleeve's radius, where the sleeve begins and the
    // buried length.
    needle_tip: vec4<f32>,
    needle_back: vec4<f32>,
    sleeve: vec4<f32>,
    // Chopper: point and half width, bend and shaft radius (0: out of the eye), far end.
    chopper_point: vec4<f32>,
    chopper_bend: vec4<f32>,
    chopper_back: vec4<f32>,
    // Lens at rest: equator, front, back; how far it is raised.
    lens: vec4<f32>,
    // Pupil radius, height of the iris, rhexis radius, height in focus.
    pupil: vec4<f32>,
    // Fundus glow; w: share of the lamp that comes straight along the view.
    glow: vec4<f32>,
    // Absorption of shell and core, 1/mm; w of the shell: share of viscoelastic in the chamber, of the core: power.
    shell_absorbs: vec4<f32>,
    core_absorbs: vec4<f32>,
    // What shell and core scatter; w: how opaque their surface is.
    shell_scatters: vec4<f32>,
    core_scatters: vec4<f32>,
    iris: vec4<f32>,
    // x: 1 where fine detail is drawn, 0 where it is left out; y: folds of the capsule, mm; z: time, s; w: unused.
    detail: vec4<f32>,
}

@group(#{MATERIAL_BIND_GROUP}) @binding(0) var<uniform> scene: Scene;

fn hash(p: vec3<f32>) -> f32 {
    var q = fract(p * vec3(0.1031, 0.1030, 0.0973));
    q += dot(q, q.yxz + 33.33);
    return fract((q.x + q.y) * q.z);
}

// Value noise, 0..1.
fn noise(p: vec3<f32>) -> f32 {
    let i = floor(p);
    let f = fract(p);
    let u = f * f * (3.0 - 2.0 * f);
    let e = vec2(0.0, 1.0);
    return mix(
        mix(mix(hash(i + e.xxx), hash(i + e.yxx), u.x), mix(hash(i + e.xyx), hash(i + e.yyx), u.x), u.y),
        mix(mix(hash(i + e.xxy), hash(i + e.yxy), u.x), mix(hash(i + e.xyy), hash(i + e.yyy), u.x), u.y),
        u.z,
    );
}

fn to_observer(p: vec3<f32>) -> vec3<f32> {
    return normalize(view.world_position.xyz - p);
}

// How much of the lamp a rod from a to b takes away from a place: dark and sharp where it is near, soft where it is far.
fn shadow_of(p: vec3<f32>, a: vec3<f32>, b: vec3<f32>, radius: f32) -> f32 {
    if radius <= 0.0 {
        return 0.0;
    }
    let l = scene.light.xyz;
    let along = b - a;
    let w = p - a;
    let ll = dot(along, along);
    let la = dot(l, along);
    let denominator = max(ll - la * la, 1e-4);
    // Nearest points of the ray p + t l and the rod.
    var s = clamp((dot(w, along) - dot(w, l) * la) / denominator, 0.0, 1.0);
    let t = max(dot(a + along * s - p, l), 0.0);
    s = clamp(dot(p + l * t - a, along) / ll, 0.0, 1.0);
    let gap = length(p + l * t - a - along * s);
    let blur = 0.06 + 0.22 * t;
    let dark = 1.0 - smoothstep(radius - 0.5 * blur, radius + blur, gap);
    return dark * 0.75 / (1.0 + 0.35 * t);
}

fn lit(p: vec3<f32>) -> f32 {
    let needle = shadow_of(p, scene.needle_tip.xyz, scene.sleeve.xyz, scene.needle_tip.w);
    let sleeve = shadow_of(p, scene.sleeve.xyz, scene.needle_back.xyz, select(0.0, scene.needle_back.w, scene.needle_tip.w > 0.0));
    let end = shadow_of(p, scene.chopper_point.xyz, scene.chopper_bend.xyz, select(0.0, scene.chopper_point.w, scene.chopper_bend.w > 0.0));
    let shaft = shadow_of(p, scene.chopper_bend.xyz, scene.chopper_back.xyz, scene.chopper_bend.w);
    return (1.0 - max(needle, sleeve)) * (1.0 - max(end, shaft));
}

// How far out of focus a place is, mm.
fn defocus(p: vec3<f32>) -> f32 {
    return abs(p.z - scene.pupil.w);
}

// Fine structure fades where it is out of focus.
fn sharp(p: vec3<f32>) -> f32 {
    return scene.detail.x / (1.0 + 0.35 * defocus(p) * defocus(p));
}

@fragment
fn fragment(in: VertexOutput, @builtin(front_facing) is_front: bool) -> @location(0) vec4<f32> {
    let p = in.world_position.xyz;
    let v = to_observer(p);

#ifdef REFLEX
    // The fundus, lit through the pupil: brightest on the axis of lamp and view.
    let r = length(p.xy) / 9.0;
    let mottle = mix(1.0, 0.86 + 0.28 * noise(p * 0.9), scene.detail.x);
    let fall = 1.0 / (1.0 + 2.2 * r * r);
    return vec4(scene.glow.rgb * scene.glow.w * mottle * fall, 1.0);
#endif

#ifdef ABSORBS
#ifdef CORE
    let s = scene.core_absorbs.rgb;
#else
    let s = scene.shell_absorbs.rgb;
#endif
    let height = dot(p - vec3(0.0, 0.0, scene.lens.w), v);
    let way = select(height, -height, is_front);
    return vec4(exp(clamp(s * way, vec3(-7.0), vec3(7.0))), 1.0);
#endif

#ifdef IRIS
    let radius = length(p.xy);
    let rim = smoothstep(scene.pupil.x + 0.02, scene.pupil.x + 0.28, radius);
    let angle = atan2(p.y, p.x);
    let fine = sharp(p);
    let fibre = noise(vec3(cos(angle) * 26.0, sin(angle) * 26.0, radius * 0.9));
    let strand = noise(vec3(cos(angle) * 60.0, sin(angle) * 60.0, radius * 2.2));
    let crypt = smoothstep(0.62, 0.8, noise(vec3(p.xy * 1.7, 4.0)));
    let collar = exp(-pow((radius - scene.pupil.x - 0.75) / 0.28, 2.0));
    var c = scene.iris.rgb * (0.62 + 0.75 * mix(0.5, fibre, fine) + 0.35 * mix(0.5, strand, fine));
    c = c * (1.0 - 0.18 * crypt * fine) + scene.iris.rgb * 0.45 * collar;
    // The pigmented rim of the pupil, and the darker root.
    c = c * mix(0.22, 1.0, rim) * mix(1.0, 0.55, smoothstep(5.0, 5.9, radius));
    let n = normalize(in.world_normal + vec3(0.35 * (fibre - 0.5), 0.35 * (strand - 0.5), 0.0) * fine);
    let diffuse = 0.35 + 0.65 * max(dot(n, scene.light.xyz), 0.0);
    return vec4(c * diffuse * lit(p) * scene.light.w, 1.0);
#endif

#ifdef SCLERA
    let radius = length(p.xy);
    let limbus = smoothstep(5.55, 6.15, radius);
    let vessel = noise(vec3(p.xy * vec2(0.9, 0.9), 1.0)) * 0.5 + noise(vec3(p.xy * 2.3, 7.0)) * 0.5;
    let line = 1.0 - smoothstep(0.0, 0.035, abs(vessel - 0.5));
    var c = mix(vec3(0.23, 0.20, 0.18), vec3(0.72, 0.66, 0.60), limbus);
    c = mix(c, vec3(0.55, 0.16, 0.12), 0.42 * line * smoothstep(6.0, 7.2, radius) * scene.detail.x);
    let diffuse = 0.45 + 0.55 * max(dot(normalize(in.world_normal), scene.light.xyz), 0.0);
    let wet = pow(max(dot(normalize(in.world_normal), normalize(scene.light.xyz + v)), 0.0), 40.0);
    return vec4((c * diffuse + vec3(0.25) * wet) * scene.light.w * 0.8, 1.0);
#endif

#ifdef METAL
    // A thin shell is seen from either side.
    var n = normalize(in.world_normal);
    n = select(n, -n, dot(n, v) < 0.0);
    let facing = dot(n, v);
    // A bright metal mirrors a dark room with the lamp in it and the eye below.
    let m = reflect(-v, n);
    let sky = smoothstep(-0.2, 0.9, m.z);
    let bands = 0.5 + 0.5 * sin(9.0 * m.x + 4.0 * m.y);
    var c = mix(vec3(0.10, 0.085, 0.08), vec3(0.58, 0.60, 0.62), sky) * (0.8 + 0.25 * bands);
    c += vec3(1.0, 0.97, 0.92) * pow(max(dot(m, scene.light.xyz), 0.0), 60.0) * 1.2;
    c += scene.glow.rgb * 0.22 * max(-n.z, 0.0);
    // The bore is dark.
    c *= in.uv.x;
    // Tissue over the buried length veils it, the deeper the more.
    let back = dot(scene.needle_tip.xyz - p, normalize(scene.needle_tip.xyz - scene.needle_back.xyz));
    let radius = length(p.xy) / scene.lens.x;
    let front = scene.lens.y * sqrt(max(1.0 - radius * radius, 0.0)) + scene.lens.w;
    let is_buried = f32(in.uv.y > 0.5 && back < scene.sleeve.w + 0.2 && scene.sleeve.w > 0.0);
    let below = max(front - p.z, 0.0) * is_buried;
    let veil = scene.shell_scatters.rgb * 0.35 + scene.core_scatters.rgb * 0.5;
    c = mix(c * scene.light.w, veil * scene.light.w, 1.0 - exp(-0.55 * below));
    // Soft outline where it is out of focus.
    let soft = clamp(0.05 + 0.16 * defocus(p), 0.0, 0.8);
    let alpha = smoothstep(0.0, soft, facing);
    return vec4(c, alpha);
#endif

#ifdef SLEEVE
    var n = normalize(in.world_normal);
    n = select(n, -n, dot(n, v) < 0.0);
    let facing = max(dot(n, v), 0.0);
    let diffuse = 0.3 + 0.7 * max(dot(n, scene.light.xyz), 0.0);
    let shine = pow(max(dot(n, normalize(scene.light.xyz + v)), 0.0), 30.0);
    let c = vec3(0.23, 0.42, 0.50) * diffuse + vec3(0.5) * shine;
    let soft = clamp(0.05 + 0.16 * defocus(p), 0.0, 0.8);
    return vec4(c * scene.light.w, (0.82 - 0.25 * facing) * smoothstep(0.0, soft, facing));
#endif

#ifdef SCATTERS
    // The iris gives way to what comes up under it by a little, and lies over it.
    if length(p.xy) > scene.pupil.x && p.z < scene.pupil.y + scene.lens.w + 0.7 {
        discard;
    }
    var n = normalize(in.world_normal);
    // in.color: place in the lens at rest (rgb, mm) and core weight (a); in.uv: x wall of a crack, y outer surface.
    let rest = in.color.rgb;
    let wall = in.uv.x;
    let core = in.color.a;
    if !is_front {
        n = -n;
    }
    let facing = clamp(dot(n, v), 0.0, 1.0);
    let fine = sharp(p);
    let grain = noise(rest * 2.2) * 0.6 + noise(rest * 6.5) * 0.4;
    // Lamellae: shells about the centre of the lens, seen where a wall cuts them.
    let shells = 0.5 + 0.5 * sin(34.0 * length(rest * vec3(0.55, 0.55, 1.1)) + 5.0 * noise(rest * 1.4));
    let seen = lit(p);
    let diffuse = 0.34 + 0.66 * max(dot(n, scene.light.xyz), 0.0);
    let shine = pow(max(dot(n, normalize(scene.light.xyz + v)), 0.0), 48.0);
#ifdef CORE
    var c = scene.core_scatters.rgb * (0.78 + 0.44 * mix(0.5, grain, fine));
    // Seen through more of it where it faces the view: its outline is soft.
    var alpha = scene.core_scatters.w * (0.25 + 0.75 * facing) * smoothstep(0.05, 0.75, facing);
#else
    let body = mix(scene.shell_scatters.rgb, scene.core_scatters.rgb, core);
    var c = body * (0.82 + 0.36 * mix(0.5, grain, fine));
    var alpha = mix(scene.shell_scatters.w, max(scene.core_scatters.w, scene.shell_scatters.w), core);
    alpha = alpha * (0.8 + 0.4 * mix(0.5, grain, fine)) + 0.10 * pow(1.0 - facing, 2.0);
#endif
    // A wall is rough and bright where the lamp meets it, dark where it turns away.
    c = mix(c, c * (0.75 + 0.5 * shells), wall * fine);
    alpha = mix(alpha, min(alpha + 0.28, 0.85), wall);
    let light = mix(diffuse, diffuse * diffuse * 1.3, wall) * seen;
    // The fundus' light comes up through the gap and warms its walls.
    let glow = scene.glow.rgb * (0.16 + 0.30 * (1.0 - facing)) * wall;
    let colour = (c * light + glow + vec3(0.30, 0.29, 0.27) * shine * (0.25 + 0.75 * in.uv.y) * 0.35 * seen) * scene.light.w;
    return vec4(colour, clamp(alpha, 0.0, 1.0));
#endif

#ifdef CAPSULE
    // A film that is seen only where it glints; folds make it glint in streaks.
    let angle = atan2(p.y, p.x);
    let radius = length(p.xy);
    let fold = in.color.r;
    let wave = sin(angle * 14.0 + 6.0 * noise(p * 0.8)) * cos(radius * 3.0);
    var n = normalize(in.world_normal);
    n = normalize(n + vec3(-sin(angle), cos(angle), 0.0) * wave * clamp(fold * 0.55, 0.0, 0.5));
    let shine = pow(max(dot(n, normalize(scene.light.xyz + v)), 0.0), 26.0);
    let glint = shine * (0.10 + 0.9 * clamp(fold, 0.0, 1.0)) + 0.02;
    return vec4(vec3(1.0, 0.86, 0.70) * glint * 0.55 * scene.light.w, 1.0);
#endif

#ifdef RIM
    let n = normalize(in.world_normal);
    let shine = pow(max(dot(n, normalize(scene.light.xyz + v)), 0.0), 8.0);
    let a = 0.30 + 0.5 * shine;
    return vec4(vec3(0.95, 0.92, 0.86) * (0.5 + shine) * lit(p) * scene.light.w, a * (0.35 + 0.65 / (1.0 + 0.5 * defocus(p))));
#endif

#ifdef CORNEA
    let n = normalize(in.world_normal);
    let first = pow(max(dot(n, normalize(scene.light.xyz + v)), 0.0), 9000.0);
    let second = pow(max(dot(n, normalize(vec3(-0.10, 0.05, 1.0) + v)), 0.0), 14000.0);
    let sheen = pow(1.0 - clamp(dot(n, v), 0.0, 1.0), 3.0) * 0.10;
    // Viscoelastic under it breaks the light a little.
    let gel = scene.shell_absorbs.w * 0.10 * smoothstep(0.55, 0.8, noise(vec3(p.xy * 1.1, 2.0)));
    let glint = vec3(1.0, 0.98, 0.94) * (first * 1.6 + second * 0.8 + sheen + gel);
    return vec4(glint * scene.light.w, 1.0);
#endif

#ifdef OCULUS
    let r = length(in.uv - vec2(0.5)) * 2.0;
    return vec4(0.0, 0.0, 0.0, smoothstep(0.955, 0.995, r) + 0.35 * smoothstep(0.6, 0.98, r));
#endif
    return vec4(1.0, 0.0, 1.0, 1.0);
}
