from django.urls import URLPattern, URLResolver, path

from inventory.views import (
    actions,
    debts,
    goods,
    issues,
    labels,
    movements,
    order_steps,
    orders,
    recalls,
    stores,
    suppliers,
    takes,
)

app_name = "inventory"

urlpatterns: list[URLPattern | URLResolver] = [
    path("", stores.store_list, name="store-list"),
    path("items/<path:code>/", stores.item_detail, name="item-detail"),
    path("goods/", goods.item_goods_list, name="item-goods-list"),
    path("goods/<path:code>/", goods.item_goods_edit, name="item-goods-edit"),
    path("movements/", movements.movement_list, name="movement-list"),
    path("movements/<int:pk>/reverse/", movements.movement_reverse, name="movement-reverse"),
    path("receive/", actions.stock_receive, name="stock-receive"),
    path("orders/", orders.order_list, name="order-list"),
    path("orders/new/", orders.order_new, name="order-new"),
    path("orders/expedite/", orders.order_expedite, name="order-expedite"),
    path("orders/<str:code>/", orders.order_show, name="order-show"),
    path("orders/<str:code>/change/", orders.order_change, name="order-change"),
    path("orders/<str:code>/lines/<int:pk>/receive/", order_steps.order_line_receive, name="order-receive"),
    *(
        path(f"orders/<str:code>/{step}/", order_steps.order_step, {"step": step}, name=f"order-{step}")
        for step in ("approve", "withdraw", "send", "confirm", "close", "cancel")
    ),
    path("suppliers/", suppliers.supplier_list, name="supplier-list"),
    path("suppliers/<str:code>/", suppliers.supplier_show, name="supplier-show"),
    path("debts/", debts.debt_list, name="debt-list"),
    path("issue/<str:tag>/", issues.unit_issue, name="unit-issue"),
    path("take/<str:tag>/", takes.part_take_show, name="part-take"),
    path("lots/<int:pk>/", stores.lot_detail, name="lot-detail"),
    path("lots/<int:pk>/edit/", actions.lot_edit, name="lot-edit"),
    path("lots/<int:pk>/receive/", actions.stock_receive_more, name="stock-receive-more"),
    path("lots/<int:pk>/issue/", actions.stock_issue, name="stock-issue"),
    path("lots/<int:pk>/return/", actions.stock_return, name="stock-return"),
    path("lots/<int:pk>/transfer/", actions.stock_transfer, name="stock-transfer"),
    path("lots/<int:pk>/use/", actions.stock_use, name="stock-use"),
    path("lots/<int:pk>/count/", actions.stock_count, name="stock-count"),
    path("lots/<int:pk>/scrap/", actions.stock_scrap, name="stock-scrap"),
    path("lots/<int:pk>/quarantine/", actions.lot_status, {"status": "quarantine"}, name="lot-quarantine"),
    path("lots/<int:pk>/recall/", actions.lot_status, {"status": "recalled"}, name="lot-recall"),
    path("lots/<int:pk>/label/", labels.lot_label, name="lot-label"),
    path("labels/<str:code>/", labels.place_labels, name="place-labels"),
    path("recall/", recalls.recall_show, name="recall-show"),
    path("lots/<int:pk>/extend/", recalls.lot_extension_add, name="lot-extend"),
    path(
        "lots/<int:pk>/extend/<int:extension>/withdraw/",
        recalls.lot_extension_withdraw_show,
        name="lot-extension-withdraw",
    ),
    path("lots/<int:pk>/release/", actions.lot_status, {"status": "good"}, name="lot-release"),
]
