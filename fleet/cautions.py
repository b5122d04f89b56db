"""What can hurt, by kind of service; shown where the work is about to begin. Common practice, no source."""

from django.utils.translation import gettext_lazy as _

CAUTIONS = {
    "bedding": _("Grands, lids and actions are heavy: two people, lids and brakes secured."),
    "regulation": _("An action out of its case is heavy and tips: two people, a clear bench."),
    "tuning": _(
        "The strings hold many tonnes: keep your face out of their plane when one may break, and "
        "protect your hearing in long loud work."
    ),
    "voicing": _(
        "Hardeners and solvents burn and their fumes harm: ventilate, no ignition source, follow the "
        "safety data sheet, and let it dry before you judge."
    ),
}
