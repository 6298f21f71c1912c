//! Events: what happened, when, with which numbers, and which earlier event led to it.

use serde::{Deserialize, Serialize};

/// Index of an event in `State::events`.
pub type EventIndex = u32;

/// Something that happened.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Event {
    /// Tick at whose end it was noticed.
    pub tick: u64,
    /// The event that led to it.
    pub cause: Option<EventIndex>,
    /// What.
    pub kind: EventKind,
}

/// An instrument.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Tool {
    /// The ultrasound needle.
    Needle,
    /// The chopper.
    Chopper,
}

/// How a capsule was breached.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BreachBy {
    /// A vibrating tip in contact.
    Ultrasound,
    /// A sharp or hard tip pressed through it.
    SharpForce,
    /// Drawn into the open port until its wall gave way.
    Suction,
    /// Fluid trapped behind the lens burst it.
    TrappedFluid,
}

/// What held back a piece that did not follow.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HeldBy {
    /// The hinge of an unfinished crack.
    Hinge,
    /// Its neighbours and the bag: it was wedged.
    Neighbours,
    /// Adhesion to the capsule.
    Adhesion,
    /// The port was poorly covered, so that vacuum had little hold.
    PoorOcclusion,
}

/// How the tip lost its hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SlipBy {
    /// The nucleus was pushed off along the shaft: friction and vacuum held less than the chopper pressed.
    AlongShaft,
    /// The needle was pulled sideways through the tissue: its buried length bore less than the crack asked for.
    Sideways,
}

/// What kind of event, with its numbers. Lengths mm, forces µN, energies nJ, pressures Pa, angles rad.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum EventKind {
    /// The foot moved to another position.
    PedalMoved {
        /// Position before.
        from: u8,
        /// Position now.
        to: u8,
    },
    /// The tip entered the lens.
    TipEnteredLens,
    /// The tip entered the dense core.
    TipEnteredCore {
        /// Distance to the core's axis.
        radius_mm: f64,
    },
    /// The tip left the dense core through its edge or its back and runs on in softer tissue.
    TipLeftCore {
        /// Distance to the core's axis.
        radius_mm: f64,
        /// Distance to the posterior capsule.
        distance_to_capsule_mm: f64,
    },
    /// The shaft lies on the rim of the rhexis: the tip cannot go deeper at this tip angle and place.
    ShaftOnRim {
        /// How far the rim lifted the shaft.
        lifted_mm: f64,
        /// Tip angle.
        elevation_rad: f64,
    },
    /// The sleeve reached firm tissue: the exposed length is used up.
    SleeveStopped {
        /// Exposed length.
        exposed_mm: f64,
    },
    /// The needle takes the lens along instead of moving through it: bag and zonules carry the load.
    LensPushed {
        /// Load along the shaft: positive when pushed, negative when drawn back.
        load_un: f64,
        /// Was ultrasound on?
        ultrasound: bool,
    },
    /// Ultrasound went on while the tip stood still, and cored out the tissue that held it.
    PurchaseCored {
        /// Gap round the tip.
        gap_mm: f64,
    },
    /// An instrument came closer to the posterior capsule than the near limit.
    CapsuleNear {
        /// Which instrument.
        tool: Tool,
        /// Distance.
        distance_mm: f64,
    },
    /// The posterior capsule was breached.
    Breach {
        /// By which instrument; none where fluid burst it.
        tool: Option<Tool>,
        /// How.
        by: BreachBy,
        /// Distance from the lens's axis.
        radius_mm: f64,
    },
    /// The chopper entered the lens.
    ChopperEntered,
    /// The chopper passed the rim of the rhexis without lying flat under it.
    ChopperCaughtRim {
        /// 1 upright, 0 flat.
        uprightness: f64,
    },
    /// Separation began: here a crack would run.
    ChopStarted(ChopStart),
    /// The tip lost its hold on the nucleus.
    TipSlipped {
        /// How.
        by: SlipBy,
        /// By how much.
        slip_mm: f64,
    },
    /// The chopper was pulled through the tissue instead of opening the crack.
    ChopperCutThrough {
        /// By how much.
        slip_mm: f64,
    },
    /// A side of the crack reached the wall of the bag: no more room to part.
    BagFull {
        /// Room between the sides and the bag.
        room_mm: f64,
    },
    /// The crack went right through: the body came apart.
    BodySplit {
        /// Fragments of at least 0.5 µL now.
        pieces: u32,
    },
    /// The instruments let go of a chop.
    ChopEnded(ChopResult),
    /// The port took hold of a piece.
    Gripped {
        /// Which.
        fragment: u16,
        /// Its volume.
        volume_ul: f64,
        /// Vacuum.
        vacuum_pa: f64,
        /// Share of the port that it covers.
        occlusion: f64,
    },
    /// A piece on the tip was pulled.
    Pulled {
        /// Which.
        fragment: u16,
        /// Its volume.
        volume_ul: f64,
        /// Highest vacuum.
        vacuum_pa: f64,
        /// Least occlusion.
        occlusion: f64,
        /// Greatest purchase.
        purchase_un: f64,
        /// Largest load: what was pulled with, or what it would have taken.
        load_un: f64,
        /// Way of the tip.
        way_mm: f64,
        /// Share of it that the piece came along.
        share: f64,
        /// Did it follow?
        followed: bool,
        /// What held it back.
        held_by: Option<HeldBy>,
    },
    /// The tip let go of a piece, or lost it.
    LetGo {
        /// Which.
        fragment: u16,
        /// Did the foot let go of it (else it slipped off)?
        by_foot: bool,
    },
    /// Ultrasound threw the piece off the port again and again.
    Chattered {
        /// Power fraction.
        power: f64,
        /// Vacuum.
        vacuum_pa: f64,
    },
    /// A piece of nucleus has been removed; soft shell of it may be left.
    PieceRemoved {
        /// Which.
        fragment: u16,
    },
    /// The last piece of nucleus has been removed.
    NucleusRemoved {
        /// Nucleus left in chips, µL.
        chips_ul: f64,
        /// Soft shell left, µL.
        shell_ul: f64,
    },
    /// The incision became hot enough to shrink.
    IncisionHot {
        /// Temperature.
        incision_c: f64,
    },
    /// The bottle was moved.
    BottleMoved {
        /// Pressure it stands for, before.
        from_pa: f64,
        /// Now.
        to_pa: f64,
    },
    /// The port came free with vacuum in the line.
    OcclusionBroke {
        /// Vacuum in the line.
        vacuum_pa: f64,
    },
    /// The chamber's pressure fell suddenly.
    Surge {
        /// Pressure in the chamber.
        chamber_pa: f64,
        /// Volume lost until then.
        lost_ul: f64,
    },
    /// Lens and capsule came forward.
    ChamberShallowed {
        /// By how much.
        travel_mm: f64,
        /// Pressure in the chamber.
        chamber_pa: f64,
    },
    /// The chamber collapsed.
    ChamberCollapsed,
    /// The iris sealed on the capsule all round: reverse pupillary block.
    PupilBlocked {
        /// How far the lens had gone back.
        back_mm: f64,
        /// Pressure in the chamber.
        chamber_pa: f64,
    },
    /// The block was released.
    BlockReleased {
        /// By lifting the iris (else by a shallower chamber)?
        by_lifting: bool,
        /// How far back the lens was.
        back_mm: f64,
    },
    /// The posterior capsule rose.
    CapsuleRose {
        /// By how much above its rest.
        rise_mm: f64,
        /// Distance left to the nearer instrument.
        distance_mm: f64,
    },
    /// A wave of fluid was injected under the rim.
    WaveInjected {
        /// Clock hour.
        hour: u8,
    },
    /// The wave went into the wrong plane at a clock hour, or stopped short of it.
    WaveFailed {
        /// Clock hour.
        hour: u8,
    },
    /// Fluid is trapped behind the lens.
    WaveTrapped {
        /// How much.
        volume_ul: f64,
        /// Pressure on the posterior capsule.
        load_pa: f64,
    },
    /// Hands began to turn the nucleus.
    Turning,
    /// The nucleus was pushed, or turned against adhesion: the zonules bore it.
    ZonulesLoaded {
        /// Clock hour of the largest load.
        hour: u8,
        /// Load there.
        load_un: f64,
        /// Was it being turned (else pushed)?
        turning: bool,
    },
    /// Zonules tore.
    ZonulesTore {
        /// Clock hour.
        hour: u8,
        /// Load.
        load_un: f64,
    },
    /// The rim of the rhexis tore.
    RimTore {
        /// By which instrument.
        tool: Tool,
        /// Force on it.
        force_un: f64,
    },
    /// The tear of the rim ran out toward the equator.
    RimRanOut,
    /// Vitreous came forward through the breach.
    VitreousForward {
        /// How much so far.
        volume_ul: f64,
    },
    /// A piece sank through the breach.
    PieceSank {
        /// Which.
        fragment: u16,
        /// Its volume.
        volume_ul: f64,
    },
    /// The surgeon stopped and called for help.
    Called,
    /// The needle left the eye.
    NeedleWithdrawn {
        /// Pressure in the chamber.
        chamber_pa: f64,
    },
}

/// The moment a chop began.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChopStart {
    /// Depth of the tip below the core's anterior surface, along z; `None` outside the core.
    pub depth_mm: Option<f64>,
    /// Burial along the shaft within the lens.
    pub along_shaft_mm: f64,
    /// Tip angle.
    pub elevation_rad: f64,
    /// Distance of the tip to the core's axis.
    pub radius_mm: f64,
    /// Vacuum the foot asked for.
    pub vacuum_pa: f64,
    /// Pedal position.
    pub pedal: u8,
    /// Force with which vacuum holds the nucleus on the tip.
    pub purchase_un: f64,
    /// Fracture energy of the surface found.
    pub surface_nj: f64,
    /// Its area.
    pub surface_mm2: f64,
    /// Tilt of the surface from the vertical.
    pub tilt_rad: f64,
    /// Volume of the smaller side as a share of the body.
    pub smaller_side: f64,
}

/// What a chop achieved.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChopResult {
    /// Broken share of the crack surface within the core.
    pub core_fraction_cracked: f64,
    /// The same in the last third of the core's thickness.
    pub posterior_third_cracked: f64,
    /// Does no unbroken bond join the two sides?
    pub complete: bool,
    /// Volume of the smaller side as a share of the body.
    pub smaller_side: f64,
    /// Greatest gain in distance between the instruments.
    pub separation_mm: f64,
    /// Greatest opening at the middle of the crack surface.
    pub opening_mm: f64,
    /// Work done by the instruments.
    pub work_nj: f64,
    /// Energy spent in breaking bonds.
    pub fracture_nj: f64,
    /// Energy spent in ploughing through tissue.
    pub ploughed_nj: f64,
    /// Did the tip slip?
    pub tip_slipped: bool,
    /// Smallest distance of either instrument to the posterior capsule since the chop began.
    pub distance_to_capsule_min_mm: f64,
}
